"""migrations of outreach."""

"""Pages of outreach."""

"""management of outreach."""

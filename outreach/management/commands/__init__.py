"""commands of outreach."""

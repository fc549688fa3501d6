"""The only writers of outreach."""

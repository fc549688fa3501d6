"""commands of results."""

"""commands of staff."""

"""commands of screening."""

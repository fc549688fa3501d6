"""Pages of screening."""

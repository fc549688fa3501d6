"""management of screening."""

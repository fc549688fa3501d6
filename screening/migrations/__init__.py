"""migrations of screening."""

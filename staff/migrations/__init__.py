"""migrations of staff."""

"""migrations of results."""

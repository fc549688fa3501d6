"""migrations of oversight."""

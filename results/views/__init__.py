"""Pages of results."""

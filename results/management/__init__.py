"""management of results."""

"""management of staff."""

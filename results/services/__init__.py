"""The only writers of results."""

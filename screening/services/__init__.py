"""The only writers of screening."""

"""The only writers of oversight."""

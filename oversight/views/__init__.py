"""Pages of oversight."""

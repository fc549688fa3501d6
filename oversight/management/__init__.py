"""management of oversight."""

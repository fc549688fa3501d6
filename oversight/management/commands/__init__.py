"""commands of oversight."""

"""Forms of the ground floor."""

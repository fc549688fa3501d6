"""What changes on the ground floor."""

"""The ground floor's own writers."""

"""Forms of screening, one module a noun."""

"""Oversight: indicators, the safety net and the rehearsal."""

"""Outreach: letter kinds and texts, letters and print runs."""

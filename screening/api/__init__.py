"""Doors of this part for other programs."""

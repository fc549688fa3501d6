"""Measures our speed against bare limits, in throw-away databases of its own."""

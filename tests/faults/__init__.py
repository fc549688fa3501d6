"""Faults: kill, flush, restart, race; each with a short form in the suite and a long one in the campaign."""

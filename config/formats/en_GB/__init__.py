"""English: day before month, the clock of twenty-four hours."""

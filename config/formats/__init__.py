"""How days and hours are written on the pages."""

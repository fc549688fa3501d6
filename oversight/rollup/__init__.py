"""Roll-ups: one fact a round, kept by signed deltas, added up into cells that the pages read."""

"""The rehearsal: a synthetic programme through the real services; also the demo region and training data."""

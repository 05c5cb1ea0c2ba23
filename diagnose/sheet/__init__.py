"""What was written down: bench sheets, their readings, limits and tables."""

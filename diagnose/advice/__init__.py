"""What to read next, and what it would tell."""

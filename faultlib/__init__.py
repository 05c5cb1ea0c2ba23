"""What can go wrong in a stage, and what it looks like."""

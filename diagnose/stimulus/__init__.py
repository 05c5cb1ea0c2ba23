"""What to play into a unit: signals described, made as samples, and written as files."""

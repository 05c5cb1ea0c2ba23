"""A stage as a drawing."""

"""What a stage is, and how it behaves on the bench."""

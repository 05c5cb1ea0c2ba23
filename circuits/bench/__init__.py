"""The virtual bench: a stage and the readings wanted go in, predicted values come out."""

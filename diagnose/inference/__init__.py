"""What is probable, given the readings: evidence, posterior and groups of look-alikes."""

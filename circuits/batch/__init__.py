"""Many units of one topology solved at once, as arrays."""

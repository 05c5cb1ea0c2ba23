"""Instruments on a lead: what the meter says, point by point, into a sheet."""

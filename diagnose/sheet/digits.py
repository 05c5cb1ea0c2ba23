"""What the digits written leave open: 1.4 V is not 1.400 V.

A value was rounded to the last digit that stands on the sheet, so that it may lie half a unit of
that digit to either side. All digits count that are written: of 24 V a volt, of 47k a kilohm, of
300 mV a millivolt, since too wide a reading hides a fault, and noughts are what a meter shows too.
A bare 0 adds nothing: it says that the meter showed none, not to which digit. Bounds are taken as
they stand.
"""

from __future__ import annotations

import math
from dataclasses import replace

from circuits.errors import InputError
from circuits.quantity import half_digit
from circuits.reading import Reading, compared
from circuits.stage import Stage
from circuits.yamlfile import Text
from diagnose.sheet.entry import Measured, in_any_unit


def half_step(written: Text, reading: Reading, stage: Stage) -> float:
    """Half a unit of the last digit of a value that `value_of` reads, SI; 0 where none can tell."""
    word = written.value.strip()
    more = None if word[:1] in "<>" else half_digit(word)
    if more is None:
        return 0.0
    try:
        return abs(in_any_unit(more, reading, stage) - in_any_unit(word, reading, stage))
    except InputError:  # no number: an open resistance
        return 0.0


def digits_of(half: float, reading: Reading, value: float) -> float:
    """Standard uncertainty, compared scale, of a value read to plus and minus half a step.

    What was rounded is spread evenly over the step, so that half of it is divided by √3 (JCGM
    100:2008, 4.3.7, from memory).
    """
    moved = compared(reading, value + math.copysign(half, value))
    return abs(moved - compared(reading, value)) / math.sqrt(3.0)


def with_digits(measured: Measured, half: float) -> Measured:
    """A reading with what half a unit of its last digit leaves open, where nothing else is said."""
    if measured.bound or measured.uncertainty is not None or not half:
        return measured
    return replace(measured, digits=digits_of(half, measured.reading, measured.value))

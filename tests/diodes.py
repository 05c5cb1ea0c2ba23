"""What a rectifier drops, by Shockley's equation."""

from __future__ import annotations

import math

from circuits.device import load_devices
from tests.small import THERMAL_VOLT

PULSE = 0.2
"""A, of the charging pulses of a supply that feeds 40 mA: they flow for about a fifth of the time
(common practice). Wrong by a factor of two it moves the drop by 33 mV, N·V_T·ln 2."""


def forward(amperes: float) -> float:
    """Forward voltage of the shipped rectifier at 27 °C: N·V_T·ln(I/IS) + RS·I.

    The figures are those of the device file, whose class the trade knows as 0.7 to 0.9 V at some
    tenths of an ampere (common practice).
    """
    figures = dict(load_devices()["rectifier-diode"].parameters)
    return figures["N"] * THERMAL_VOLT * math.log(amperes / figures["IS"]) + figures["RS"] * amperes

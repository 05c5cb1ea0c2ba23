"""How much ripple a rail can have at all: what its rectifier gives with no reservoir left.

An ideal rail has lines of ripple and no supply behind it, so that a factor to them alone would name
ripple that its transformer cannot give: 75 V on a rail of 31 V.
"""

from __future__ import annotations

import math
from dataclasses import replace

from circuits.rail import Rail
from faultlib.mode import Mode

FULL_WAVE = math.sqrt(1 / 2 - 4 / math.pi**2)
"""RMS ripple of a rectified sine over its peak, both half-waves: 0.31. Of the whole the mean square
is 1/2, and the mean 2/π."""
HALF_WAVE = math.sqrt(1 / 4 - 1 / math.pi**2)
"""The same of one half-wave, whose mean square is 1/4 and whose mean is 1/π: 0.39."""
_LEAST_SPAN = 2.0
"""From the mildest ripple to the worst, where a good unit has nearly as much (judgement)."""


def worst_ripple(rail: Rail, mains: float) -> float:
    """The ripple of a rail whose reservoir is gone, V RMS.

    Parameters
    ----------
    mains : float
        Hz: ripple that has it as a line comes of one half-wave.

    Notes
    -----
    The peak is taken as the rail's volts, which a healthy reservoir holds near it.
    """
    lowest = min((f for f, level in rail.ripple if level), default=math.inf)
    return abs(rail.volts) * (HALF_WAVE if lowest < 1.5 * mains else FULL_WAVE)


def met_on(rail: Rail, mains: float, mode: Mode) -> Mode:
    """A mode of a rail, no further than that rail can have it."""
    size = mode.range
    healthy = math.hypot(*(level for _, level in rail.ripple))
    if size is None or size.times != "ripple" or not healthy or not rail.volts:
        return mode
    most = max(worst_ripple(rail, mains) / healthy, _LEAST_SPAN * size.mild)
    return replace(mode, range=replace(size, worst=min(size.worst, most)))

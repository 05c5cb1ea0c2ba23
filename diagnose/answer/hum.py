"""What the pattern of hum lines says by itself, in the words of the trade.

Lines at the mains frequency and its odd multiples come from stray pick-up, an earth loop or
saturated iron; a full-wave supply that has lost its reservoir shows at twice the mains frequency
and multiples of that; where the rails themselves are right, what comes at twice the mains comes by
an earth that charging current shares (common practice). The pattern is told beside the ranking; it
does not enter it, since every way in is simulated.
"""

from __future__ import annotations

from collections.abc import Sequence

from circuits.quantity import render
from circuits.reading import compared
from diagnose.sheet.entry import Measured

HIGH_DB = 6.0
"""A line this far above a healthy unit's is high; good units differ by some 3 dB."""


LOW = 0.9
"""A rail with less of a good unit's voltage is not right: the mains itself moves it by a tenth."""


def pattern(
    measured: Sequence[Measured],
    healthy: Sequence[float],
    mains: float,
    rails: Sequence[str] = (),
) -> str:
    """A sentence about the hum lines, empty where they say nothing.

    Parameters
    ----------
    healthy : sequence of float
        What a healthy unit shows for the same readings, compared scale.
    mains : float
        Hz.
    rails : sequence of str
        Nodes that a supply feeds.
    """
    odd: list[tuple[float, bool]] = []
    even: list[tuple[float, bool]] = []
    for item, good in zip(measured, healthy, strict=True):
        if item.reading.quantity != "hum" or item.bound == "<" or item.reading.state.altered:
            continue
        order = round(item.reading.frequency / mains)
        high = compared(item.reading, item.value) - good > HIGH_DB
        (odd if order % 2 else even).append((item.reading.frequency, high))
    high_odd = [render(f, "Hz") for f, high in odd if high]
    high_even = [render(f, "Hz") for f, high in even if high]
    if high_even and _rails_right(measured, healthy, rails):
        lines = " and ".join(high_odd + high_even)
        stray = " or stray mains" if high_odd else ""
        return (
            f"hum is high at {lines} though the rails and their ripple are right: a poor earth "
            f"joint that the rectifier's charging current{stray} shares, or the wiring of a return "
            "(input, feedback, first stages); not the rectifier or the reservoirs"
        )
    if high_odd and even and not high_even:
        return (
            f"hum is high at {' and '.join(high_odd)} but not at even multiples of the mains: "
            "stray pick-up or an earth fault, not the filter capacitors of a full-wave supply"
        )
    if high_even and odd and not high_odd:
        return (
            f"hum is high at {' and '.join(high_even)} but not at the mains frequency: "
            "ripple of a full-wave supply, not pick-up"
        )
    if high_odd and high_even:
        return (
            f"hum is high at {' and '.join(high_odd + high_even)}: half-wave ripple (an open "
            "rectifier), or both a supply and a pick-up fault"
        )
    return ""


def _rails_right(
    measured: Sequence[Measured], healthy: Sequence[float], rails: Sequence[str]
) -> bool:
    """Whether ripple was read on a rail, and neither that nor the voltage of one is off."""
    ripple = False
    for item, good in zip(measured, healthy, strict=True):
        reading = item.reading
        if reading.at not in rails or reading.origin:
            continue
        if reading.quantity == "ripple":
            if item.bound == ">" or compared(reading, item.value) - good > HIGH_DB:
                return False
            ripple = True
        elif reading.quantity == "dc voltage" and abs(item.value) < LOW * abs(good):
            return False
    return ripple

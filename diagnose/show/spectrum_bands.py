"""Where lines of a good unit lie in a spectrum: mains lines without signal, harmonics of a sine.

Good units are known by readings. Hum at a frequency is a mains line of a recording without signal;
a harmonic of the sheet, read at the frequency and about the level of a recorded sine, is that line
of it, as far from the tone as good units have it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.recording.measurement import Measurement
from diagnose.sheet.states import loaded_with
from diagnose.show.figure import Band

_LEVEL_DB = 1.0
"""dB between two levels that are one, since a level is set by eye."""
_SAME = 0.01
"""Part by which two frequencies may differ that are one."""

Good = Mapping[Reading, tuple[float, float]]
"""Between which values nine in ten good units read, SI."""


def hum_of(made: Measurement) -> tuple[Reading, ...]:
    """The mains lines of a recording without signal, as readings that good units have too."""
    if made.full_scale is None or made.signal != "silence":
        return ()
    found = (item.measured.reading for item in made.items if item.measured is not None)
    return tuple(dict.fromkeys(r for r in found if r.quantity == "hum"))


def bands_of(
    made: Measurement, channel: str, good: Good, stage: Stage, label: str
) -> tuple[Band, ...]:
    """The band of a channel's spectrum, a box a line; none where no good unit is known.

    Parameters
    ----------
    channel : str
        As its items have it; empty where there is one.
    label : str
        What it is called.
    """
    if made.full_scale is None:
        return ()
    boxes: dict[float, tuple[float, float]] = {}
    tone = next((i.value for i in made.items
                 if (i.name, i.unit, i.channel) == ("level", "V", channel)), 0.0)
    for item in made.items:
        reading = item.measured.reading if item.measured is not None else None
        if reading is None or item.channel != channel:
            continue
        if reading.quantity == "hum" and made.signal == "silence" and reading in good:
            boxes[reading.frequency] = good[reading]
        elif reading.quantity == "harmonic" and tone:
            like = _like(reading, tone, good, stage)
            if like is not None:
                low, high = (tone * 10.0 ** (x / 20.0) for x in good[like])
                boxes[reading.order * reading.frequency] = low, high
    at = tuple(sorted(boxes))
    if not at:
        return ()
    return (Band(label, at, tuple(boxes[f][0] for f in at), tuple(boxes[f][1] for f in at), True),)


def _like(reading: Reading, volts: float, good: Iterable[Reading], stage: Stage) -> Reading | None:
    """A harmonic that good units are known at, of the same tone at about the same level."""
    for one in good:
        if (one.quantity, one.order) != ("harmonic", reading.order) or one.level is None:
            continue
        if abs(one.frequency / reading.frequency - 1.0) > _SAME:
            continue
        kind, level = one.level
        if kind == "power":
            level = math.sqrt(level * loaded_with(one, stage))
        # what a level of the input makes at the output is not known here
        if kind != "input level" and level and abs(20.0 * math.log10(volts / level)) <= _LEVEL_DB:
            return one
    return None

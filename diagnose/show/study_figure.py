"""The picture of a study: curves against frequency, single readings against the fault's size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuits.quantity import render
from circuits.reading import Reading
from diagnose.show.figure import Axis, Band, Figure, Panel, Series
from diagnose.studies.fault_study import BAND, Study

MOST_PANELS = 8
"""Panels of one picture; the curves first, then the readings that move most."""
_CURVE_POINTS = 4
"""A quantity read at so many frequencies is a curve."""
_CURVES = 5
"""Sizes of the fault that are drawn in a panel of curves, besides the healthy unit."""
_WIDE = 30.0
"""Greatest value over least from which on an axis is logarithmic."""


def study_figure(made: Study) -> Figure:
    """Describe a study as a picture."""
    curves = _curves(made)
    taken = {k for places in curves for k in places}
    single = [k for k in _most_moved(made) if k not in taken]
    panels = [_against_frequency(made, places) for places in curves]
    room = MOST_PANELS - len(panels)
    panels += [_against_size(made, k) for k in single[:room]]
    note = f"Shaded: healthy units (nominal ±{BAND:g} standard deviations of their parts)."
    still = len(made.readings) - len(taken) - len(single)
    if len(single) > room:
        note += f" {len(single) - room} more readings move; the table has them."
    if still:
        note += f" {still} readings stay within the healthy band and are not drawn."
    return Figure(f"{made.stage}: {made.part} {made.mode}", tuple(panels), note)


def _curves(made: Study) -> list[list[int]]:
    """Places of readings that make a curve together, by rising frequency."""
    groups: dict[tuple[str, float, float], list[int]] = {}
    for k, r in enumerate(made.readings):
        if r.frequency and r.quantity != "hum" and not r.order:
            groups.setdefault((r.quantity, r.load, r.reference), []).append(k)
    moved = made.leaves()
    return [
        sorted(places, key=lambda k: made.readings[k].frequency)
        for places in groups.values()
        if len(places) >= _CURVE_POINTS and moved[places].any()
    ]


def _most_moved(made: Study) -> list[int]:
    """Readings that leave the healthy band at some size, the farthest first."""
    limit = np.hypot(made.sigma, made.bench)
    far = np.max(np.abs(made.apart()) / limit, axis=0)
    moved = np.flatnonzero(made.leaves())
    return sorted((int(k) for k in moved), key=lambda k: -float(far[k]))


def _against_frequency(made: Study, places: Sequence[int]) -> Panel:
    first = made.readings[places[0]]
    x = tuple(made.readings[k].frequency for k in places)
    low, high = made.band()
    healthy, values = made.si(made.healthy), made.si(made.values)

    def line(label: str, row: NDArray[np.float64]) -> Series:
        return Series(label, x, tuple(float(row[k]) for k in places))

    series = [line("healthy", healthy)]
    for row in made.chosen(_CURVES):
        label = render(float(made.sizes[row]), made.unit) if made.sized else made.mode
        series.append(line(label, values[row]))
    if made.measured and all(made.measured[k] is not None for k in places):
        series.append(line("measured", np.array([v or 0.0 for v in made.measured])))
    band = Band("healthy units", x, tuple(float(low[k]) for k in places),
                tuple(float(high[k]) for k in places))
    return Panel(
        first.quantity,
        Axis("frequency", "Hz", logarithmic=True),
        Axis(first.quantity, first.unit, _by_ratio(first, values[:, list(places)])),
        tuple(series),
        (band,),
    )


def _against_size(made: Study, k: int) -> Panel:
    reading = made.readings[k]
    low, high = made.band()
    values = made.si(made.values)[:, k]
    healthy = float(made.si(made.healthy)[k])
    ends: tuple[float, ...]
    if made.sized:
        logarithmic = _wide(made.sizes)
        falling = bool(made.sizes[0] > made.sizes[-1])
        axis = Axis(f"{made.quantity} (worse to the right)", made.unit, logarithmic, falling)
        x = tuple(float(s) for s in made.sizes)
        ends = (x[0], x[-1])
        series = [Series(f"{made.part} {made.mode}", x, tuple(float(v) for v in values))]
    else:
        axis = Axis("", words=((0.0, "healthy"), (1.0, made.mode)))
        ends = (0.0, 1.0)
        series = [Series(f"{made.part} {made.mode}", ends, (healthy, float(values[0])))]
    value = made.measured[k] if made.measured else None
    if value is not None:
        series.append(Series("measured", ends, (value, value)))
    band = Band("healthy units", ends, (float(low[k]),) * 2, (float(high[k]),) * 2)
    everything = np.concatenate([values, [low[k], high[k], healthy]])
    scale = Axis(reading.quantity, reading.unit, _by_ratio(reading, everything))
    return Panel(reading.label(), axis, scale, tuple(series), (band,))


def _by_ratio(reading: Reading, values: NDArray[np.float64]) -> bool:
    """Whether values of a reading are drawn on a logarithmic axis."""
    return reading.scale in ("log", "level") and _wide(values)


def _wide(values: NDArray[np.float64]) -> bool:
    """Whether values span so much that a logarithmic axis has two marks or more on it."""
    return float(values.min()) > 0.0 and float(values.max() / values.min()) > _WIDE

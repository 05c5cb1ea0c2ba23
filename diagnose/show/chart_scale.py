"""From values to places on a chart: what an axis reaches, and the part of it that is looked at."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from circuits.errors import InputError
from diagnose.show.figure import Axis, Panel

Ends = tuple[float, float]
_LEAST = 1e-30
"""What stands for nought on a logarithmic axis."""
_NAMES = 0.22
"""Of the height of a picture, above the highest point that has a name."""
_NARROW = 1e-6
"""Of its middle: a range that is narrower has no marks on it."""


@dataclass(frozen=True)
class View:
    """The part of a panel that is looked at, SI; an axis that is None shows whatever there is."""

    x: Ends | None = None
    y: Ends | None = None

    @classmethod
    def of(cls, text: str) -> View:
        """A view as a page sends it: ``20,200,-3,1``, or ``20,200`` of the frequencies alone.

        Raises
        ------
        InputError
            For anything else.
        """
        try:
            ends = [float(word) for word in text.split(",")]
        except ValueError:
            ends = []
        pairs = list(zip(ends[::2], ends[1::2], strict=False))
        if len(ends) not in (2, 4) or not all(
            math.isfinite(low) and math.isfinite(high)
            and high - low > _NARROW * max(abs(low), abs(high)) for low, high in pairs
        ):
            raise InputError(f"{text!r:.60} is no part of a picture", expected="from,to in Hz")
        return cls(pairs[0], pairs[1] if len(pairs) > 1 else None)


@dataclass(frozen=True)
class Scale:
    """Values to pixels along one axis: `low` at `start`, `high` at `stop`."""

    axis: Axis
    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """The place of a value."""
        low, high = self._inner(self.low), self._inner(self.high)
        share = (self._inner(value) - low) / ((high - low) or 1.0)
        if self.axis.falling:
            share = 1.0 - share
        return self.start + share * (self.stop - self.start)

    def holds(self, value: float) -> bool:
        """Whether a value is on the axis."""
        room = 1e-9 * max(abs(self.low), abs(self.high))
        return self.low - room <= value <= self.high + room

    def _inner(self, value: float) -> float:
        return math.log10(max(value, _LEAST)) if self.axis.logarithmic else value


def reach_x(panel: Panel, view: View) -> Ends:
    """The least and the greatest of the axis across."""
    values = [v for s in panel.series for v in s.x] + [v for b in panel.bands for v in b.x]
    values += [v for limit in panel.limits for v in (limit.start, limit.stop)
               if not panel.series or _spot(limit.start, limit.stop)]
    values += [place for place, _ in panel.x.words]
    axis = panel.x
    if view.x is not None and not (axis.logarithmic and view.x[0] <= 0.0):
        return view.x
    whole = _ends(axis, values)
    if whole is None:
        return (1.0, 10.0) if axis.logarithmic else (0.0, 1.0)
    low, high = whole
    if axis.logarithmic:
        room = 1.6 if low == high else (high / low) ** 0.02
        return low / room, high * room
    room = 0.4 if axis.words or axis.whole else _room(axis, low, high, 0.0)
    return low - room, high + room


def reach_y(panel: Panel, x: Ends, view: View) -> Ends:
    """The least and the greatest of the axis upward, of what lies between two ends across."""
    axis = panel.y
    if view.y is not None and not (axis.logarithmic and view.y[0] <= 0.0):
        return view.y
    whole = _ends(axis, list(_heights(panel, x))) or _ends(axis, list(_heights(panel, None)))
    if whole is None:
        return (1.0, 10.0) if axis.logarithmic else (0.0, 1.0)
    low, high = whole
    # where points have names, the highest needs room above it
    named = _NAMES if any(s.names for s in panel.series) else 0.0
    if axis.logarithmic:
        return low / 1.6, high * 1.6 * (high / low) ** named
    room = _room(axis, low, high, 0.06)
    if axis.unit == "dB":
        room = max(room, (1.0 - (high - low)) / 2.0)
    return low - room, high + room + named * (high - low)


def _heights(panel: Panel, x: Ends | None) -> Iterator[float]:
    def inside(value: float) -> bool:
        return x is None or x[0] <= value <= x[1]

    for series in panel.series:
        yield from (b for a, b in zip(series.x, series.y, strict=True) if inside(a))
    for band in panel.bands:
        for a, low, high in zip(band.x, band.low, band.high, strict=True):
            if inside(a):
                yield from (low, high)
    for limit in panel.limits:
        if x is None or (limit.start <= x[1] and limit.stop >= x[0]):
            yield from (v for v in (limit.low, limit.high) if v is not None)
    yield from (place for place, _ in panel.y.words)


def _ends(axis: Axis, values: list[float]) -> Ends | None:
    values = [v for v in values if math.isfinite(v) and (v > 0.0 or not axis.logarithmic)]
    return (min(values), max(values)) if values else None


def _room(axis: Axis, low: float, high: float, share: float) -> float:
    if high - low <= 1e-9 * max(abs(high), 1e-9):
        return max(0.1 * abs(high), 0.5 if axis.unit == "dB" else 1e-3)
    return share * (high - low)


def _spot(start: float, stop: float) -> bool:
    return start == stop

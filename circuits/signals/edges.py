"""Edges of a wave that an oscilloscope shows: a step alone, or a few periods of a square wave.

Unlike `circuits.signals.period`, which puts one period together from many, every edge is read by
itself, from points that lie as far apart as the screen has them. Levels are found as the two that
the wave stays at, as IEEE 181 has them (from memory); 10 to 90 % is counted between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from circuits.signals import waveform
from circuits.signals.waveform import Floats

NEAR = 0.15
"""Of the step: points so near to one of both levels count as staying there."""
_STAYS = 0.62
"""The least share of points that stay at either level: of a sine it is 0.51, of a triangle 0.3."""
_BETWEEN = 0.12
"""The greatest share of points in the middle half between the levels: of a sine it is a third, of
half of one 0.19."""
_FAST = 0.1
"""An edge that takes less of a flat than this has settled to 0.4 % where `_LATE` begins, so that
the fall of the flat can be read."""
_SETTLED = (0.6, 0.9)
"""The part of a flat where a slow edge has settled, and where the next has not begun."""
_LATE = 0.25
"""Of a flat: where the part begins that its fall is read from; most ringing has died down there."""
_LEVEL = 0.012
"""Of the step: a flat whose ends lie no further apart is level, in steps of eight bits."""
_SLOWEST = 0.3
"""An edge that takes more of a flat than this never settles."""
_STRAIGHT = 1.1
"""How much longer one fifth of an edge may take than another where it is straight: the edge of an
amplifier that slews. Of a Gaussian edge, the straightest of those that do not, it is 1.16."""
_POINTS = 3.0
"""Points from 10 to 90 % below which the time between them is only an upper limit."""
_BEND = 2
"""Degree of the curve that the logarithm of a flat is read by: of one coupling capacitor it is
straight, of several a little bent."""
_HALF = 0.5
"""Of a flat: where less of it is left, a curve through that is not to be carried on."""
_AROUND = 0.5
"""Of a flat on either side of an edge: how far a level is looked for."""


@dataclass(frozen=True)
class Edge:
    """One edge.

    Attributes
    ----------
    at : float
        When it passes the middle, s.
    rise : float
        10 to 90 % (of a falling one 90 to 10 %), s.
    overshoot : float
        Ratio of the step.
    base, top : float
        Levels before and after.
    slope : float or None
        Size of its slope per second where it is straight, as of an amplifier that slews; else None.
    coarse : bool
        Whether the points lie so far apart that `rise` is only an upper limit.
    """

    at: float
    rise: float
    overshoot: float
    base: float
    top: float
    slope: float | None
    coarse: bool

    @property
    def rising(self) -> bool:
        """Whether it goes up."""
        return self.top > self.base


@dataclass(frozen=True)
class Edges:
    """The edges of a wave.

    Attributes
    ----------
    period : float or None
        s; None where no whole period is there.
    tilt : float or None
        Sag of the flats between two edges, a ratio of their start; None where no period is there
        or slow edges hide it.
    """

    edges: tuple[Edge, ...]
    period: float | None
    tilt: float | None

    def one_way(self) -> tuple[Edge, ...]:
        """Those that rise; where none does, those that fall."""
        return tuple(e for e in self.edges if e.rising) or self.edges


def levels(values: Floats) -> tuple[float, float]:
    """The two levels that a wave stays at, the lower one first.

    Parameters
    ----------
    values : (n,) array
    """
    middle = (float(values.min()) + float(values.max())) / 2.0
    for _ in range(3):  # ringing moves the first middle, and medians settle at once
        low, high = values[values < middle], values[values >= middle]
        if not low.size or not high.size:
            break
        middle = (float(np.median(low)) + float(np.median(high))) / 2.0
    low, high = values[values < middle], values[values >= middle]
    if not low.size or not high.size:
        return middle, middle
    return float(np.median(low)), float(np.median(high))


def has_edges(values: Floats) -> bool:
    """Whether a wave stays at two levels, as a step or a square wave does."""
    low, high = levels(values)
    if high <= low:
        return False
    share = (values - low) / (high - low)
    near = np.minimum(np.abs(share), np.abs(share - 1.0)) <= NEAR
    between = np.abs(share - 0.5) < 0.25
    return bool(near.mean() >= _STAYS and between.mean() <= _BETWEEN)


def read_edges(time: Floats, values: Floats) -> Edges:
    """All edges whose flats on both sides are there.

    Parameters
    ----------
    time, values : (n,) arrays
        s, rising.

    Raises
    ------
    ValueError
        When there is none that can be read.
    """
    places = _crossings(values)
    if not places:
        raise ValueError("the wave has no edges")
    ends = [0, *places, len(values)]
    flats = [slice(a, b) for a, b in pairwise(ends)]
    made, slow = [], 0
    for k in range(len(places)):
        edge = _edge(time, values, flats[k], flats[k + 1], k > 0)
        if edge is None:
            slow += 1
        else:
            made.append(edge)
    if not made:
        raise ValueError("its edges take too much of the flats; more time a division is needed"
                         if slow else "the wave has no edge with a flat on both sides")
    alike = [time[p] for p in places][:: 2]
    period = float((alike[-1] - alike[0]) / (len(alike) - 1)) if len(alike) > 1 else None
    return Edges(tuple(made), period, _tilt(time, values, places, made) if period else None)


def _crossings(values: Floats) -> list[int]:
    """Where a wave goes from one level to the other, each once however it trembles there."""
    low, high = levels(values)
    reach = (high - low) / 4.0
    if not reach > 0.0:
        return []
    middle = (low + high) / 2.0
    side = np.where(values > middle + reach, 1, np.where(values < middle - reach, -1, 0))
    known = np.flatnonzero(side)
    changes = np.flatnonzero(np.diff(side[known]))
    places = []
    for k in changes.tolist():
        first, last = int(known[k]), int(known[k + 1])
        above = values[first : last + 1] >= middle
        places.append(first + int(np.flatnonzero(above != above[0])[0]))
    return places


def _edge(
    time: Floats, values: Floats, before: slice, after: slice, follows: bool
) -> Edge | None:
    """The edge between two flats; None where it takes too much of them.

    Parameters
    ----------
    follows : bool
        Whether the flat before begins with an edge, and has to settle too.
    """
    start = before.stop - round(_AROUND * (before.stop - before.start))
    stop = after.start + round(_AROUND * (after.stop - after.start))
    flat = float(time[after.stop - 1] - time[after.start])
    if follows:
        flat = min(flat, float(time[before.stop - 1] - time[before.start]))
    if before.stop - before.start < 4 or after.stop - after.start < 4 or flat <= 0.0:
        return None
    base, top = _settled(values[before]), _settled(values[after])
    rise = _rise(time, values, base, top, start, before.stop, stop)
    if rise is None or rise > _SLOWEST * flat:
        return None
    if rise < _FAST * flat:
        # what is left of ringing would bend the curve through a flat that does not fall
        least = _LEVEL * abs(top - base)
        ends = (_end(time[before], values[before], 1.0, rise),
                _end(time[after], values[after], -1.0, rise))
        base, top = (end if abs(end - held) > least else held
                     for end, held in zip(ends, (base, top), strict=True))
        rise = _rise(time, values, base, top, start, before.stop, stop) or rise
    share = (values - base) / (top - base)
    around = slice(start, stop)
    fifths = [_passes(time[around], share[around], level) for level in (0.2, 0.4, 0.6, 0.8)]
    slope = None
    coarse = rise < _POINTS * float(np.median(np.diff(time)))
    if not coarse and all(at is not None for at in fifths):
        parts = np.diff([at for at in fifths if at is not None])
        if parts.min() > 0.0 and parts.max() < _STRAIGHT * parts.min():
            slope = 0.6 * abs(top - base) / float(parts.sum())
    middle = _passes(time[around], share[around], 0.5)
    return Edge(
        at=float(time[before.stop]) if middle is None else middle,
        rise=rise,
        overshoot=waveform.overshoot(values[before.stop : stop], base, top),
        base=base, top=top, slope=slope, coarse=coarse,
    )


def _rise(
    time: Floats, values: Floats, base: float, top: float, start: int, middle: int, stop: int
) -> float | None:
    """10 to 90 %: from the last time below the one to the first time above the other."""
    if top == base:
        return None
    share = (values - base) / (top - base)
    first, last = max(middle - 1, 0), min(middle + 1, len(values))
    early = _passes(-time[start:last][::-1], -share[start:last][::-1], -0.1)
    late = _passes(time[first:stop], share[first:stop], 0.9)
    return None if early is None or late is None else late + early


def _passes(time: Floats, share: Floats, level: float) -> float | None:
    try:
        return waveform.crossing(time, share, level)
    except ValueError:
        return None


def _settled(values: Floats) -> float:
    first, last = (round(share * len(values)) for share in _SETTLED)
    return float(values[first : max(last, first + 1)].mean())


def _end(time: Floats, values: Floats, end: float, edge: float) -> float:
    """The level of a flat at its start (-1) or its end (1), by a curve through its later part.

    Parameters
    ----------
    edge : float
        s from 10 to 90 % of an edge: half as long again before the end, the next one has begun.
    """
    place = 2.0 * (time - time[0]) / (time[-1] - time[0]) - 1.0
    inner = (place >= 2.0 * _LATE - 1.0) & (time <= time[-1] - 1.5 * edge)
    if inner.sum() < _HALF * len(values):
        return _settled(values)
    curve = np.polynomial.polynomial.polyfit(place[inner], values[inner], _BEND)
    return float(np.polynomial.polynomial.polyval(end, curve))


def _tilt(
    time: Floats, values: Floats, places: list[int], edges: list[Edge]
) -> float | None:
    """Mean sag of the flats between edges, from the mean of the wave over whole periods."""
    whole = slice(places[0], places[2 * ((len(places) - 1) // 2)])
    middle = waveform.average(time[whole], values[whole])
    flats = [slice(a, b) for a, b in pairwise(places)]
    longest = max(edge.rise for edge in edges)
    sags = []
    for flat in flats:
        span = time[flat]
        if len(span) < 20 or longest > _FAST * (span[-1] - span[0]):
            return None
        away = (values[flat] - middle) * (1.0 if values[flat].mean() > middle else -1.0)
        if away[len(away) // 4 :].min() <= 0.0:
            return None  # it falls through the middle: no coupling capacitor does that alone
        level = np.log(np.maximum(away, 1e-3 * away.max()))
        start, end = (math.exp(_end(span, level, at, longest)) for at in (-1.0, 1.0))
        sags.append(1.0 - end / start)
    return float(np.mean(sags))

"""The published figures that a picture of readings shows beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from circuits.reading import Reading
from diagnose.sheet.case import Case
from diagnose.sheet.limits import Limit
from diagnose.show.answer_curves import FREQUENCY, Along
from diagnose.show.figure import Bounds


def bounds_of(
    case: Case, kind: Reading, along: Along = FREQUENCY, places: Sequence[float] = ()
) -> tuple[Bounds, ...]:
    """The limits of a sheet that are about a curve.

    Parameters
    ----------
    kind : Reading
        What the curve is of; its place on the axis across means nothing.
    along : Along
        What that axis is.
    places : sequence of float
        Where it was read; needed where that axis is no frequency.
    """
    found: list[Bounds] = []
    for limit in case.limits:
        if limit.reading.quantity != kind.quantity or limit.channels not in (0, _channels(case)):
            continue
        label = f"limit, {limit.standard}" if limit.standard else "limit"
        where = _over_band(limit, kind) if along is FREQUENCY else _over(limit, kind, along, places)
        found += [Bounds(label, start, stop, limit.low, limit.high) for start, stop in where]
    return tuple(found)


def _over_band(limit: Limit, kind: Reading) -> list[tuple[float, float]]:
    banded = limit.band != (0.0, 0.0)
    start, stop = limit.band if banded else (limit.reading.frequency,) * 2
    if start > 0.0 and limit.covers(replace(kind, frequency=start)):
        return [(start, stop)]
    return []


def _over(
    limit: Limit, kind: Reading, along: Along, places: Sequence[float]
) -> list[tuple[float, float]]:
    """Where a limit holds along levels or orders: all along where it states none, else there."""
    own = along.place(limit.reading)
    held = [x for x in sorted({*places, *((own,) if own else ())})
            if limit.covers(along.at(kind, x))]
    if held and not own:
        return [(held[0], held[-1])]
    return [(x, x) for x in held[:1]]


def _channels(case: Case) -> int:
    return len(case.channels) or 1

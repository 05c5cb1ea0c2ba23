"""The published figures that a picture of readings shows beside them."""

from __future__ import annotations

from dataclasses import replace

from circuits.reading import Reading
from diagnose.sheet.case import Case
from diagnose.show.figure import Bounds


def bounds_of(case: Case, kind: Reading) -> tuple[Bounds, ...]:
    """The limits of a sheet that are about a curve.

    Parameters
    ----------
    kind : Reading
        What the curve is of; its frequency means nothing.
    """
    found = []
    for limit in case.limits:
        if limit.reading.quantity != kind.quantity or limit.channels not in (0, _channels(case)):
            continue
        banded = limit.band != (0.0, 0.0)
        start, stop = limit.band if banded else (limit.reading.frequency,) * 2
        if start > 0.0 and limit.covers(replace(kind, frequency=start)):
            label = f"limit, {limit.standard}" if limit.standard else "limit"
            found.append(Bounds(label, start, stop, limit.low, limit.high))
    return tuple(found)


def _channels(case: Case) -> int:
    return len(case.channels) or 1

"""How far each reading of a sheet is from a healthy unit, in units of what is usual."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.reading import from_compared, shown
from diagnose.inference.design import given_design
from diagnose.inference.infer import Weighing
from diagnose.inference.model_error import Designed
from diagnose.inference.screen import good_units

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Departure:
    """One reading beside that of a healthy unit, in the unit shown.

    Attributes
    ----------
    off : float
        Measured less healthy on the compared scale, over the spread of good units and the
        meter's together.
    """

    reading: str
    measured: float
    healthy: float
    unit: str
    off: float


def healthy_of(made: Weighing) -> tuple[Array, Array]:
    """What a good unit reads, and the spread of good ones with the bench's, compared scale."""
    mine = slice(0, len(made.used))
    healthy = made.found.healthy[mine]
    good = np.sqrt((made.found.strays[:, mine] ** 2).sum(axis=0) + made.own.bench**2)
    if any(isinstance(r, Designed) for r in made.observed.readings):
        # of a unit of another design than the file's, what a good one of that design reads
        healthy, good = given_design(made.observed, len(made.used), made.found.healthy,
                                     good_units(made.found, made.observed))
    return healthy, good


def departures(made: Weighing) -> tuple[Departure, ...]:
    """Of every reading that was weighed, in the order of the sheet."""
    healthy, good = healthy_of(made)
    off = made.own.departures(healthy) / good
    return tuple(
        Departure(r.label(), shown(r, m.value), shown(r, from_compared(r, float(h))), r.unit,
                  float(x))
        for r, m, h, x in zip(made.own.readings, made.used, healthy, off, strict=True)
    )


def departure_json(one: Departure) -> dict[str, Any]:
    """One reading of the document of ``diagnose rank --json``."""
    return {"reading": one.reading, "measured": one.measured, "healthy": one.healthy,
            "unit": one.unit, "off": one.off}

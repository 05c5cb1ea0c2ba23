"""Readings that another design of the same kind would give, which no stage file can know."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.likelihood import Array
from faultlib.designs import another_design
from faultlib.ensemble import UNITS
from faultlib.simulate import Variant
from faultlib.tolerance import Design

if TYPE_CHECKING:
    from diagnose.inference.infer import Weighing

_OFF = 4.0
"""Standard deviations from which a reading is not what a good unit of the file gives."""
_FITS = 2.5
"""The same up to which another design explains it."""
_ASKED = 0.5
"""Probability of "not in the library" from which another design is thought of."""
_SEED = 11
"""Of the designs drawn, so that the same sheet always gets the same note."""


def design_notes(made: Weighing) -> tuple[str, ...]:
    """What is to be said of the unit's design.

    Parameters
    ----------
    made : Weighing
        Of a sheet whose schematic is not at hand, or of one that nothing explains.
    """
    case = made.case
    if case.kind_only:
        text = ("the schematic is not at hand: parts stand for what has their role in this unit, "
                "and values may be those of another design")
        own = _names(made, made.found.sensitivities[_designs(made)])
        return (text, *([f"as another design may read: {own}; judge it by published figures, "
                         "apart from the rest"] if own else []))
    if made.posterior.unmodelled < _ASKED:
        return ()
    fits = _names(made, _lines(made))
    if not fits:
        return ()
    return (f"a good unit of another design may read so: {fits}. If this unit's schematic is not "
            "at hand, write schematic: not at hand",)


def _designs(made: Weighing) -> list[int]:
    return [k for k, s in enumerate(made.found.spreads) if isinstance(s, Design)]


def _names(made: Weighing, lines: Array) -> str:
    """The readings that are far from the file's good unit and near to other designs'."""
    if not len(lines):
        return ""
    others = np.delete(made.found.sensitivities, _designs(made), axis=0)
    own = made.observed.bench**2 + (others**2).sum(axis=0)
    apart = np.abs(made.observed.values - made.found.healthy)
    far = apart / np.sqrt(own)
    near = apart / np.sqrt(own + (lines**2).sum(axis=0))
    plain = made.observed.signs == 0.0
    told = [k for k in np.flatnonzero((far > _OFF) & (near < _FITS) & plain)
            if k < len(made.used) and not made.used[k].reading.driven]
    return ", ".join(made.used[k].reading.label() for k in told)


def _lines(made: Weighing) -> Array:
    """What other designs do to the readings at rest, rows whose squares add up to a variance."""
    designs = another_design(made.case.stage, made.case.known)
    at = [k for k, m in enumerate(made.used) if not m.reading.driven]
    if not designs or not at:
        return np.empty((0, len(made.observed.readings)))
    drawn = np.random.default_rng(_SEED).normal(size=(UNITS, len(designs)))
    units = [Variant((), tuple((s, float(z)) for s, z in zip(designs, row, strict=True)))
             for row in drawn]
    readings = [made.observed.readings[k] for k in at]
    values = made.bench.values(made.case.stage, units, readings).values
    rows = np.zeros((UNITS, len(made.observed.readings)))
    rows[:, at] = values - made.found.healthy[at]
    kept = rows[~np.isnan(rows).any(axis=1)]
    return np.asarray(kept / np.sqrt(max(len(kept), 1)))

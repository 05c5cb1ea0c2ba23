"""What no line tells of a faulty unit: nodes that hang on the meter, supplies beyond their load.

Either is a row of standard deviations that each reading has by itself, beside the lines of good
parts (`faultlib.signature.Signatures.lines`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.tolerance import RAILS, Spread
from faultlib.variant import Variant

if TYPE_CHECKING:
    from faultlib.simulate import Bench

Floats = NDArray[np.float64]

_HANGS = 0.5
"""A voltage that a meter takes so much of away hangs on the meter and not on the circuit."""
_OVERLOADED = 0.1
"""Of a direct voltage, what the supply's regulation moves only where that gives far more than it is
made for (judgement)."""
_LEAST_VOLTS = 1.0
"""V: what stands nearer to ground is nothing to be a share of (judgement)."""
_BENDS = 0.5
"""Of what regulation moves a reading, how far that may lie off every line. Taught by a unit from
outside whose shorted output transistor takes 10 A from a supply for 1 A: with none of it that was
"not in the library", with twice as much a fault that does otherwise fitted too."""


def floating(
    stage: Stage, readings: Sequence[Reading], units: Sequence[Variant],
    shown: Sequence[Floats | None], bench: Bench,
) -> Floats:
    """How unsure direct voltages are that hang on the meter, (units, voltages, m).

    A fault can leave a node to the meter and to leakage: dirt, a reversed junction, an open
    capacitor. Nobody knows which pulls more, so what a meter alone takes away is a standard
    deviation. No node of a working circuit gives way to a usual meter by half.

    Parameters
    ----------
    shown : sequence of (m,) array or None
        Readings of the units, with their meters.
    """
    volts = [k for k, r in enumerate(readings)
             if r.quantity == "dc voltage" and r.meter != math.inf]
    rows = np.zeros((len(units), len(volts), len(readings)))
    ill = {k: row[volts] for k, row in enumerate(shown) if row is not None and units[k].faults}
    if not volts or not ill:
        return rows
    bare = [replace(readings[k], meter=math.inf) for k in volts]
    free = bench.values(stage, [units[k] for k in ill], bare).values
    apart = np.abs(differences(free, np.array([*ill.values()]), bare))
    apart[apart < _HANGS * np.abs(np.nan_to_num(free))] = 0.0
    rows[np.ix_([*ill], range(len(volts)), volts)] = apart[:, :, None] * np.eye(len(volts))
    return rows


def overloaded(
    readings: Sequence[Reading], shown: Floats, around: Sequence[Spread], lines: Floats
) -> Floats:
    """How unsure readings are of a unit that draws far more than its supply is made for, (k, m).

    What is left of the rails then hangs on the supply, and all else on what is left. That bends,
    each reading in its own way, and nobody measures supplies so far beyond what they are made for.

    Parameters
    ----------
    shown : (m,) array
        Readings of the unit.
    around : sequence of Spread
        Of the first rows of `lines`.
    lines : (p, m) array

    Returns
    -------
    (k, m) array
        No row where the supply's regulation moves no direct voltage by a tenth.
    """
    volts = [k for k, r in enumerate(readings) if r.quantity == "dc voltage"]
    where = [k for k, s in enumerate(around) if (s.target, s.what) == (RAILS, "regulation")]
    if volts and where:
        row = np.abs(lines[where[0]])
        usual = np.maximum(np.abs(shown[volts]), _LEAST_VOLTS)
        if float((row[volts] / usual).max()) >= _OVERLOADED:
            return np.asarray(np.diag(_BENDS * row))
    return np.zeros((0, len(readings)))


def differences(
    rows: NDArray[np.float64], base: NDArray[np.float64], readings: Sequence[Reading]
) -> NDArray[np.float64]:
    """Rows less a base row; phases by the short way round, missing rows as no change."""
    apart = np.nan_to_num(rows - base, nan=0.0)
    angles = [k for k, r in enumerate(readings) if r.unit == "deg"]
    apart[..., angles] = (apart[..., angles] + 180.0) % 360.0 - 180.0
    return np.asarray(apart)

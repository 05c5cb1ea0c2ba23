"""What leaks through a stage that a fault has killed.

No file knows the ways that it comes by: wires side by side, a resistor where there is none. So
neither its size is known nor its slope, and what is read relative to it does not show how little it
is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading

Array = NDArray[np.float64]

_CURVES = ("response", "riaa deviation")
"""What is read relative to the level at one frequency."""
_MIDDLE = 1e3
"""Hz where the RIAA curve is 0 dB (IEC 60098)."""
_DEAD = 20.0
"""dB of gain that a fault may take without what is left being another signal (judgement); after as
much again nothing else is left."""
_LEAKS = 6.0
"""dB that the size of what leaks is unsure by (judgement)."""
_SLOPE = 15.0
"""dB a decade that its slope is unsure by: 20 up for a capacitance, down for a resistance into one,
0 for a resistance."""


@dataclass(frozen=True)
class Leak:
    """How unsure readings are by what leaks.

    Attributes
    ----------
    lost : (…, m) array
        dB of gain beyond `_DEAD`, of each reading of a curve.
    sizes, slopes : (…, m) arrays
        Standard deviations of gains, and of curves along one slope, dB.
    """

    lost: Array
    sizes: Array
    slopes: Array


def leak(readings: tuple[Reading, ...], shift: Array) -> Leak | None:
    """What is unsure of readings (…, m) that faults move by `shift`; None where nothing is."""
    curves, gains, decades = _relative(readings)
    mine = [k for k, r in enumerate(readings) if r.quantity == "gain"]
    if not mine or not shift.ndim:
        return None
    lost = np.maximum(-shift - _DEAD, 0.0)
    if not lost[..., mine].any():
        return None
    made = Leak(*np.zeros((3, *shift.shape)))
    dead = np.minimum(lost / _DEAD, 1.0)
    made.sizes[..., mine] = _LEAKS * dead[..., mine]
    made.lost[..., curves] = lost[..., gains]
    made.slopes[..., curves] = _SLOPE * decades * dead[..., gains]
    return made


@lru_cache(maxsize=64)
def _relative(readings: tuple[Reading, ...]) -> tuple[list[int], list[int], Array]:
    """Readings of a curve; for each a gain between the same points, and decades from its 0 dB."""
    def between(r: Reading) -> tuple[object, ...]:
        return type(r), r.at, r.origin, r.load, r.probe, r.state, r.channel

    gains = {between(r): k for k, r in enumerate(readings) if r.quantity == "gain"}
    found = [(k, gains[between(r)], math.log10(r.frequency / (r.reference or _MIDDLE)))
             for k, r in enumerate(readings) if r.quantity in _CURVES and between(r) in gains]
    return [k for k, _, _ in found], [k for _, k, _ in found], np.array([x for *_, x in found])

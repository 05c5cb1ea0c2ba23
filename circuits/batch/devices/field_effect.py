"""What field-effect transistors share: their resistances and the limits of Newton's steps.

The limits are SPICE's with Alan Gillespie's change, as ngspice's published sources have them.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from circuits.batch.devices.card import Floats

_FAR, _NEAR = 3.5, 2.0
"""V above the threshold that are far into conduction, and where a step down from there ends."""
_RISE, _FALL, _WAKE = 4.0, 0.5, 0.5
"""V over and under the threshold where steps end that begin near above it, and begin below it."""
_ON = 3.5
"""V from drain to source that are far."""
_STEP = (2.0, 4.0, -0.5)
"""V from drain to source where a step down from far ends, one up, and one down from near."""


def resistances(
    i: Floats, g: Floats, x: Floats, pairs: Iterable[tuple[int, int, int, Floats]]
) -> None:
    """Add conductances (S), each between an outer and an inner terminal with a branch alone."""
    for outer, inner, branch, siemens in pairs:
        np.multiply(siemens, x[branch], out=i[outer])
        i[inner] -= i[outer]
        g[outer, branch] = siemens
        np.negative(g[outer, branch], out=g[inner, branch])


def limited(new: Floats, old: Floats, threshold: Floats) -> Floats:
    """A gate's next voltage, of which one step must not cross a whole region."""
    away = np.abs(old - threshold)
    on, far = old >= threshold, old >= threshold + _FAR
    wake = threshold + _WAKE
    highest = np.where(
        far, old + (2.0 * away + 2.0),
        np.where(on, threshold + _RISE, np.where(new <= wake, old + (away + 1.0), wake)),
    )
    lowest = np.where(
        far, np.where(new >= threshold + _FAR, old - (away + 1.0), threshold + _NEAR),
        np.where(on, threshold - _FALL, old - (2.0 * away + 2.0)),
    )
    return np.where(new <= old, np.maximum(new, lowest), np.minimum(new, highest))


def limited_span(new: Floats, old: Floats) -> Floats:
    """The next voltage from drain to source."""
    far, up = old >= _ON, new > old
    down_to, up_to, under = _STEP
    high = np.minimum(new, np.where(far, 3.0 * old + 2.0, up_to))
    low = np.maximum(new, np.where(far, np.where(new < _ON, down_to, new), under))
    return np.where(up, high, low)

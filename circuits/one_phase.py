"""Rails whose ripple has one phase: those that one transformer feeds alike.

Rectifiers on one winding charge their reservoirs at the same crests, and what they feed drains them
alike in between. A negative rail is the positive one's mirror image half a cycle later, v₋(t) =
-v₊(t - T/2), since its diodes conduct where the e.m.f. is the other way round. So the lines of both
at an even multiple of the mains are opposite and at an odd one alike: by Fourier's shift theorem,
-(-1)^k. (A reservoir that has lost nearly all its capacitance shifts its own rail by up to a right
angle more; then it is so much the larger that this matters little.)

Of rails given by figures two belong together whose volts, ripple and resistance are alike, as those
of a split supply are; of drawn ones two that name one transformer or one supply and have alike
parts.
"""

from __future__ import annotations

import math
from itertools import combinations

from circuits.stage import Rail, Stage

_ALIKE = 0.1
"""Relative: by how much figures of a split pair may differ."""


def pairs(stage: Stage) -> tuple[tuple[str, str], ...]:
    """Names of rails, two by two, that are of one phase.

    Parameters
    ----------
    stage : Stage
        As drawn: a fault does not take a rail off its transformer.
    """
    return tuple(
        (one.name, other.name) for one, other in combinations(stage.rails, 2)
        if _together(one, other)
    )


def sign(one: float, other: float, order: int) -> float:
    """1 where the lines of two rails add, -1 where they cancel.

    Parameters
    ----------
    one, other : float
        Volts of the rails.
    order : int
        Of the mains frequency.
    """
    return 1.0 if one * other > 0.0 or order % 2 else -1.0


def _together(one: Rail, other: Rail) -> bool:
    if one.supply is None or other.supply is None:
        return one.supply is other.supply and one.volts * other.volts < 0.0 and _alike(one, other)
    names = [{s.name, s.transformer} - {""} for s in (one.supply, other.supply)]
    values = [[(p.name, p.kind, p.value) for p in s.design] for s in (one.supply, other.supply)]
    rectifiers = one.supply.rectifier == other.supply.rectifier
    return bool(names[0] & names[1]) and rectifiers and values[0] == values[1]


def _alike(one: Rail, other: Rail) -> bool:
    if not one.ripple or len(one.ripple) != len(other.ripple):
        return False
    figures = [
        (abs(one.volts), abs(other.volts)), (one.resistance, other.resistance),
        *((a, b) for mine, theirs in zip(one.ripple, other.ripple, strict=True)
          for a, b in zip(mine, theirs, strict=True)),
    ]
    return all(math.isclose(a, b, rel_tol=_ALIKE) for a, b in figures)

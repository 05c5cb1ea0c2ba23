"""A lamp in series with the mains: what its filament's resistance does to what stands behind it.

A tungsten filament is the hotter the more it takes, and its current goes with the 0.55th power of
its voltage (the usual formula of lamp makers, from memory; 0.5 to 0.6 are in use), down to the cold
one, which has a fourteenth of the working resistance (common practice). It is slow beside a cycle
of the mains, so that its RMS current tells. The lamp is one for the unit's mains voltage. What the
transformer takes by itself, some watts of iron and magnetising current, is left out.

Seen from a rail the lamp is a resistance in series with the winding. With the winding's peak e.m.f.
E and a lamp of P, its rated resistance is E² / 2P there, whatever the mains voltage; the currents
of all rails pass by it at the same crests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

EXPONENT = 0.55
"""Of a filament's current over its voltage, both over the rated ones."""
COLD = 1.0 / 14.0
"""Resistance of a cold filament over that at its rated voltage."""
LAMPS = (5.0, 2000.0)
"""W of a lamp that anybody would put in series with a unit."""
_STEPS = 40
"""Halvings of the interval of log resistance: of 1 : 14 nothing is left after thirty."""
_CLOSE = 1e-4
"""Relative: how well the resistance is found."""


@dataclass(frozen=True)
class Behind:
    """What a supply takes through a lamp.

    Attributes
    ----------
    emf : float
        Peak of its winding, V.
    mean : float
        Its direct current, A.
    rms : callable
        Ohm of the lamp, as seen from that winding, to RMS of the winding's current, A.
    """

    emf: float
    mean: float
    rms: Callable[[float], float]


def relative(current: float) -> float:
    """Resistance over the rated one by the current over the rated one."""
    return max(math.pow(current, 1.0 / EXPONENT - 1.0), COLD)


def seen(watts: float, supplies: Sequence[Behind]) -> list[float]:
    """The lamp's resistance as each supply sees it, ohm, heated by just the current that flows.

    Parameters
    ----------
    watts : float
        Of the lamp at the mains voltage.
    supplies : sequence of Behind
        On one transformer, or several on one mains.
    """
    powers = [max(one.emf * one.mean, 1e-12) for one in supplies]
    whole = sum(powers)

    def each(share: float) -> list[float]:
        # a supply that takes half of the current sees its own in twice the resistance
        return [share * one.emf**2 / (2.0 * watts) * whole / power
                for one, power in zip(supplies, powers, strict=True)]

    def heated(share: float) -> float:
        taken = sum(one.emf * one.rms(ohms)
                    for one, ohms in zip(supplies, each(share), strict=True))
        return relative(taken / (math.sqrt(2.0) * watts))

    low, high = math.log(COLD), math.log(max(heated(COLD), COLD))
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        if high - low < _CLOSE:
            break
        if heated(math.exp(middle)) > math.exp(middle):
            low = middle
        else:
            high = middle
    return each(math.exp((low + high) / 2.0))

"""How stiff a supply is at one frequency: the impedance behind its rail.

A rectifier conducts for a small part of every cycle, so between winding and reservoir lies, on the
average, the winding's resistance over that part: for a full-wave rectifier on a large reservoir
R·π/2θ, with θ half of the angle in which it conducts (the slope of the usual formula for its mean
current). That slope is taken from two steady states of the real supply, one with a little current
fed into its reservoir. What follows, reservoir, filter and regulator, is a small signal's matter.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from circuits import supply as drawn
from circuits.behind_rails import Sounding
from circuits.bench.analysis import Response, SmallSignal
from circuits.bench.engine import Engine
from circuits.bench.supply import settled, state, winding_peak
from circuits.spelling import node
from circuits.stage import Rail, Supply

_MORE = 0.05
"""Of the supply's current: how much is fed into its reservoir."""
_OHMS = (1e-3, 1e9)
"""Limits of what a rectifier's slope counts as, ohm: a piece of wire, and nothing connected."""


def sounded(rail: Rail, mains: float, frequency: float) -> Sounding:
    """The impedance of the supply behind a rail, the rail's own resistance left out.

    Parameters
    ----------
    rail : Rail
        With a supply.
    mains, frequency : float
        Hz.

    Raises
    ------
    InputError, NoSolution
        As `supply.resolved`.
    """
    assert rail.supply is not None
    steady = state(rail, mains)  # says what is wrong with a supply that misses its voltage
    supply = replace(rail.supply, name="", transformer="")
    ohms = _impedance(supply, abs(rail.volts), mains, frequency, steady.reservoir, steady.blown)
    return Sounding(frequency, ohms)


@lru_cache(maxsize=512)
def _impedance(
    supply: Supply, volts: float, mains: float, frequency: float, raw: float, blown: bool
) -> complex:
    net = drawn.averaged(supply, volts, raw, _OHMS[1] if blown else slope(supply, volts, mains))
    probe = SmallSignal(drawn.PROBE, (frequency,), (node(drawn.output(supply)),))
    (answer,) = Engine().run(net, [probe])
    assert isinstance(answer, Response)
    return complex(answer.nodes[0, 0])


@lru_cache(maxsize=512)
def slope(supply: Supply, volts: float, mains: float) -> float:
    """By how much the reservoir falls for a rise of the rectifier's mean current, ohm.

    Parameters
    ----------
    volts : float
        Of the rail as drawn, positive.
    mains : float
        Hz.
    """
    peak = winding_peak(replace(supply, parts=supply.design, mains=1.0), volts, mains)
    more = _MORE * drawn.current(supply)
    before = settled(supply, volts, peak, mains)
    after = settled(supply, volts, peak, mains, more)
    less = before.rectified - after.rectified
    if less < 1e-3 * more:
        return _OHMS[1]  # nothing comes from the rectifier
    return float(np.clip((after.reservoir - before.reservoir) / less, *_OHMS))

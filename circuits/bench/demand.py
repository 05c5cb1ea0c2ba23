"""What a drawn supply gives at some demand, and behind some resistance in its mains lead.

It is run (`supply.state`) at demands and resistances on fixed scales and read between them, so that
its states are found once for many units.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from circuits import supply as drawn
from circuits.bench.supply import state, winding_peak
from circuits.stage import Lines, Rail, Supply

_STEP = 1.5
"""Factor from one demand, or resistance, to the next at which a drawn supply is run."""
_MOST_STEPS = 8
"""Steps up or down at most: 25 times the demand as drawn, where a fuse has long blown."""
_LEAST_OHMS, _MOST_OHMS = 1e-2, 1e4
"""Between these a resistance in the mains lead counts, as the winding sees it."""


@dataclass(frozen=True)
class Given:
    """What a supply gives: volts (positive) and lines of its rail, V; RMS of its winding, A."""

    volts: float
    ripple: Lines
    winding: float
    blown: bool


def given(rail: Rail, mains: float, demand: float, ohms: float = 0.0) -> Given:
    """A rail of a drawn supply at a demand over its own; nothing between two runs is sharp.

    Parameters
    ----------
    rail : Rail
        As drawn.
    mains : float
        Hz.
    ohms : float
        In series with its winding, besides its own.
    """
    limit = _STEP**_MOST_STEPS
    place = math.log(min(max(demand, 1.0 / limit), limit)) / math.log(_STEP)
    if ohms < _LEAST_OHMS:
        return _read(place, lambda step: _at(rail, mains, step, 0.0))
    along = math.log(min(ohms, _MOST_OHMS)) / math.log(_STEP)
    return _read(
        along, lambda k: _read(place, lambda step: _at(rail, mains, step, _STEP**k))
    )


def peak(rail: Rail, mains: float) -> float:
    """Peak e.m.f. of the healthy winding of a drawn supply, or of each half of that, V."""
    assert rail.supply is not None
    healthy = replace(rail.supply, parts=rail.supply.design, mains=1.0, name="", transformer="")
    return winding_peak(healthy, abs(rail.volts), mains)


def _read(place: float, at: Callable[[int], Given]) -> Given:
    below = math.floor(place)
    share = place - below
    low = at(below)
    high = at(below + 1) if share else low
    if low.blown or high.blown:
        low = high = low if share < 0.5 else high
    return Given(
        (1.0 - share) * low.volts + share * high.volts,
        tuple((f, (1.0 - share) * a + share * b)
              for (f, a), (_, b) in zip(low.ripple, high.ripple, strict=True)),
        (1.0 - share) * low.winding + share * high.winding,
        low.blown,
    )


def _at(rail: Rail, mains: float, step: int, ohms: float) -> Given:
    supply = rail.supply
    assert supply is not None
    made = _demanding(supply, _STEP**step, ohms)
    found = state(replace(rail, supply=made, feed=None), mains)
    # of a winding with a tap each half carries every other pulse
    both = math.sqrt(len(drawn.halves(supply)))
    return Given(found.volts, found.ripple, both * found.winding, found.blown)


def _demanding(supply: Supply, factor: float, ohms: float) -> Supply:
    def changed(supply: Supply) -> Supply:
        if factor == 1.0:
            return supply
        parts = tuple(
            part.with_parameter("current", part.parameter("current") * factor)
            if part.name == drawn.DEMAND else part
            for part in supply.parts
        )
        return replace(supply, parts=parts)

    made = changed(supply)
    if not ohms:
        return made
    return replace(made, parts=tuple(
        replace(part, value=(part.value or 0.0) + ohms) if part.name == drawn.TRANSFORMER else part
        for part in made.parts
    ))

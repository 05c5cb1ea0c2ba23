"""Good units have their trimmers set right: where the adjusted reading is what it should be.

What the tolerance of the other parts does to that reading, the trimmer takes back; what is left of
it in a good unit is the error of whoever set it. The trimmer is set before anything fails, so a
fault acts on a unit that was right once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from circuits.adjust import Adjust
from circuits.kinds import kind
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.tolerance import Layout, Spread, deviate

if TYPE_CHECKING:
    from circuits.bench.plan import Plan

Deviations = tuple[tuple[Spread, float], ...]
Positions = tuple[tuple[str, float], ...]

_NEAR, _NEAR_AS_DRAWN = 5e-3, 1e-3
"""How near the aim the last step need not be read any more: by a secant, or the drawn slope."""
_STEPS = 24
"""Readings that a search for one setting may take: halving alone would come within 1e-7 of the
way."""
_LEAST = 1e-4
"""Share of the aim that a reading of nothing, or of the wrong sign, counts as."""
_NUDGE = 0.01
"""Of the wiper's whole way: how far it is turned to see the slope."""
_STRIDE = 0.3
"""Farthest that the wiper is turned at once: a bias current grows by the exponential."""
_MOST = 20_000
"""Settings of one stage that are remembered."""
_STILL = ("esr", "ripple", "pickup", "tilt", "regulation", "others")
"""What shifts no direct voltage of a good unit: its rails have the healthy load."""
_ROUNDS = 3
"""How often several trimmers are gone through, since each may upset the other."""


def readings(adjust: Adjust) -> tuple[Reading, Reading]:
    """The two voltages whose difference a trimmer is set by; a meter across it draws nothing."""
    above, below = (Reading("dc voltage", at=end, meter=math.inf)
                    for end in (adjust.at, adjust.origin))
    return above, below


def as_set(stage: Stage, deviations: Deviations) -> Stage:
    """A good unit of a stage: its parts moved, then its trimmers set.

    Parameters
    ----------
    deviations : tuple of (Spread, float)
        Each float in standard deviations.

    Returns
    -------
    Stage
        The stage itself where nothing deviates and no aim says otherwise: it is drawn set right.
        A trimmer that cannot reach its aim stands at its end.

    Raises
    ------
    NoSolution
        When the simulator finds no operating point of the unit.
    """
    unit = deviate(stage, deviations)
    told = any(one.aim for one in stage.adjust)
    if not stage.adjust or not (deviations or told):
        return unit
    for name, position in _positions(stage, deviations):
        unit = _turned(unit, name, position)
    return unit


def _positions(stage: Stage, deviations: Deviations) -> Positions:
    """Where every trimmer stands; the units of every fault ask for the same ones."""
    known = _known(stage)
    moved = tuple((s, z) for s, z in deviations if shifts_bias(stage, s))
    if not moved and not any(one.aim for one in stage.adjust):
        return tuple((one.part, stage.part(one.part).position) for one in stage.adjust)
    if moved not in known:
        if len(known) > _MOST:
            known.clear()
        known[moved] = _set(stage, moved, known)
    return known[moved]


@lru_cache(maxsize=8)
def _known(stage: Stage) -> dict[Deviations, Positions]:
    """The settings of units of one stage that were found in this process; to be added to."""
    return {}


def _set(stage: Stage, deviations: Deviations, known: Mapping[Deviations, Positions]) -> Positions:
    from circuits.bench.supply import resolved

    # what a supply gives does not hang on the trimmers, and takes longest to work out
    unit = resolved(deviate(stage, deviations))
    # a unit that was set already, with one part more moved, is nearly set by adding what that does
    nearly = dict(known.get(deviations[:-1], ()))
    more = dict(known.get(deviations[-1:], ()))
    for name, position in nearly.items() if len(deviations) > 1 else ():
        drawn = stage.part(name).position
        turned = position + more.get(name, drawn) - drawn
        unit = _turned(unit, name, min(max(turned, 0.0), 1.0))
    for _ in range(_ROUNDS if len(unit.adjust) > 1 else 1):
        for one in unit.adjust:
            aim, slope = _drawn(stage, one.part)
            aim *= one.missed
            settled = settle(_reader(unit, one, aim), unit.part(one.part).position, slope)
            unit = _turned(unit, one.part, settled)
    return tuple((one.part, unit.part(one.part).position) for one in unit.adjust)


def shifts_bias(stage: Stage, spread: Spread) -> bool:
    """Whether a spread can move a direct voltage; what stores charge or hums cannot."""
    if isinstance(spread, Layout) or spread.what in _STILL:
        return False
    return not any(
        part.name == spread.target and kind(part.kind).family == "capacitor" for part in stage.parts
    )


@lru_cache(maxsize=64)
def _drawn(stage: Stage, part: str) -> tuple[float, float]:
    """What a trimmer is set to, V, and the slope of the reading's logarithm over the position.

    A reading may be flat where the trimmer is drawn, an output stage idling without any current,
    so that the two ends of the trimmer tell the sign of its slope.
    """
    from circuits.bench.supply import resolved

    (one,) = [a for a in stage.adjust if a.part == part]
    nominal = resolved(stage)
    here = nominal.part(part).position
    aim = one.aim or _volts(nominal, one)
    step = _NUDGE if here < 0.5 else -_NUDGE
    reads = _reader(nominal, one, aim)
    at_rest = reads(here) if one.aim else 0.0
    slope = (reads(here + step) - at_rest) / step
    if not slope and one.aim:
        slope = reads(1.0) - reads(0.0)
    return aim, slope


def _reader(stage: Stage, adjust: Adjust, aim: float) -> Callable[[float], float]:
    """Position to how far the reading is above the aim, as a natural logarithm."""

    def read(position: float) -> float:
        share = _volts(_turned(stage, adjust.part, position), adjust) / aim
        return math.log(max(share, _LEAST))

    return read


def _volts(stage: Stage, adjust: Adjust) -> float:
    from circuits.bench.take import take

    above, below = take(stage, _plan(adjust.at, adjust.origin))
    return float(above - below)


@lru_cache(maxsize=64)
def _plan(at: str, origin: str) -> Plan:
    from circuits.bench.take import plan

    return plan(Stage("any", ()), readings(Adjust("", at, origin)))


def _turned(stage: Stage, name: str, position: float) -> Stage:
    return stage.with_part(replace(stage.part(name), position=position))


def settle(reads: Callable[[float], float], start: float, slope: float) -> float:
    """The position between 0 and 1 at which a reading is right, by secants kept in a bracket.

    Parameters
    ----------
    reads : callable
        Position to how far the reading is above its aim; monotone.
    start : float
        Where the trimmer stands.
    slope : float
        Of `reads`, roughly; its sign is trusted.

    Returns
    -------
    float
        The end towards the aim where it lies beyond.
    """
    low, high = -math.inf, math.inf  # between these the position lies, as readings have shown
    here, off, rate, near = start, reads(start), slope, _NEAR_AS_DRAWN
    for _ in range(_STEPS):
        up = (off < 0.0) == (slope > 0.0)
        if off == 0.0 or slope == 0.0 or here == (1.0 if up else 0.0):
            break
        low, high = (here, high) if up else (low, here)
        there = min(max(here + min(max(-off / rate, -_STRIDE), _STRIDE), 0.0), 1.0)
        if not low < there < high:
            there = (low + high) / 2.0
        if abs(off) < near:
            return there
        now = reads(there)
        secant = (now - off) / (there - here)
        rate, near = (secant, _NEAR) if secant * slope > 0.0 else (slope, _NEAR_AS_DRAWN)
        here, off = there, now
    return here


def aims(stage: Stage, volts: Sequence[float]) -> Stage:
    """The stage with the aims of its trimmers stated.

    Parameters
    ----------
    volts : sequence of float
        What each of `stage.adjust` is set to, V, in their order.
    """
    pairs = zip(stage.adjust, volts, strict=True)
    return replace(stage, adjust=tuple(replace(one, aim=aim) for one, aim in pairs))

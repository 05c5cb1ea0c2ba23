"""Good units have their trimmers set right: where the adjusted reading is what it should be.

What the tolerance of the other parts does to that reading, the trimmer takes back; what is left of
it in a good unit is the error of whoever set it. The trimmer is set before anything fails, so a
fault acts on a unit that was right once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from circuits.adjust import Adjust
from circuits.excess import INDEX
from circuits.identity import ByIdentity
from circuits.kinds import kind
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.tolerance import Layout, Spread, deviate

if TYPE_CHECKING:
    from circuits.bench.plan import Plan
    from circuits.bench.steps import RunMany, Steps

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
_STILL = ("esr", "ripple", "pickup", "tilt", "regulation", "others", INDEX)
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
    if not _to_set(stage, deviations):
        return unit
    for name, position in _positions(stage, deviations):
        unit = _turned(unit, name, position)
    return unit


def set_together(stage: Stage, units: Iterable[Deviations], run_many: RunMany) -> None:
    """Find the settings of many good units at once, so that `as_set` need not ask for them.

    Settings that cannot be found are left to it.

    Parameters
    ----------
    units : iterable of deviations
        Each as `as_set` takes them.
    run_many : callable
        What answers all that is asked for at one turn.
    """
    from circuits.bench.steps import abreast

    found = _found(stage)
    wanted = {_moved(stage, one): None for one in units if _to_set(stage, one)}
    asked = [one for one in wanted if _asks(stage, one) and one not in found.positions]
    if not asked:
        return
    abreast([_drawn(stage, one, found) for one in stage.adjust], run_many)
    # those that deviate in less come first: the others begin from what was found of them
    for count in sorted({len(one) for one in asked}):
        mine = [one for one in asked if len(one) == count]
        abreast([_set(stage, one, found) for one in mine], run_many)


def to_find(stage: Stage, deviations: Deviations) -> Deviations:
    """What of some deviations decides where trimmers stand; nothing where they stand as drawn."""
    moved = _moved(stage, deviations) if stage.adjust else ()
    return moved if moved and _to_set(stage, deviations) else ()


def told(stage: Stage, settings: Mapping[Deviations, Positions]) -> None:
    """Take over where the trimmers of units stand, by what `to_find` says of them."""
    if settings:
        _found(stage).positions.update(settings)


def standing(stage: Stage, moved: Deviations) -> Positions | None:
    """Where the trimmers of a unit were found to stand, by what `to_find` says of it."""
    return _found(stage).positions.get(moved)


def _to_set(stage: Stage, deviations: Deviations) -> bool:
    """Whether a unit is not simply as drawn, and has trimmers."""
    return bool(stage.adjust) and (bool(deviations) or _aimed(stage))


def _aimed(stage: Stage) -> bool:
    return any(one.aim for one in stage.adjust)


def _moved(stage: Stage, deviations: Deviations) -> Deviations:
    """What of some deviations a trimmer makes up for."""
    return tuple((s, z) for s, z in deviations if _shifts(stage, s))


def _asks(stage: Stage, moved: Deviations) -> bool:
    """Whether the trimmers of a unit stand elsewhere than drawn."""
    return bool(moved) or _aimed(stage)


def _positions(stage: Stage, deviations: Deviations) -> Positions:
    """Where every trimmer stands; the units of every fault ask for the same ones."""
    from circuits.bench.engine import Engine
    from circuits.bench.steps import alone

    moved, found = _moved(stage, deviations), _found(stage)
    if not _asks(stage, moved):
        return tuple((one.part, stage.part(one.part).position) for one in stage.adjust)
    known = found.positions.get(moved)
    return alone(_set(stage, moved, found), Engine().run) if known is None else known


@dataclass
class _Found:
    """What was found of the trimmers of one stage in this process; to be added to.

    Attributes
    ----------
    positions : dict
        Of units, by what deviates in them.
    drawn : dict of str to (float, float)
        By part, as `_drawn`.
    """

    positions: dict[Deviations, Positions] = field(default_factory=dict)
    drawn: dict[str, tuple[float, float]] = field(default_factory=dict)


@lru_cache(maxsize=8)
def _found_of(stage: Stage) -> _Found:
    return _Found()


_found = ByIdentity(_found_of, 64)


def forget() -> None:
    """Begin anew: where a trimmer is found to stand hangs on where the search began."""
    _found.clear()
    _found_of.cache_clear()


def _set(stage: Stage, deviations: Deviations, found: _Found) -> Steps[Positions]:
    """Steps to where the trimmers of a unit stand; remembers that."""
    from circuits.bench.supply import resolved

    # what a supply gives does not hang on the trimmers, and takes longest to work out
    unit = resolved(deviate(stage, deviations))
    # a unit that was set already, with one part more moved, is nearly set by adding what that does
    nearly = dict(found.positions.get(deviations[:-1], ()))
    more = dict(found.positions.get(deviations[-1:], ()))
    for name, position in nearly.items() if len(deviations) > 1 else ():
        drawn = stage.part(name).position
        turned = position + more.get(name, drawn) - drawn
        unit = _turned(unit, name, min(max(turned, 0.0), 1.0))
    for _ in range(_ROUNDS if len(unit.adjust) > 1 else 1):
        for one in unit.adjust:
            aim, slope = yield from _drawn(stage, one, found)
            settled = yield from _settled(unit, one, aim * one.missed, slope)
            unit = _turned(unit, one.part, settled)
    positions = tuple((one.part, unit.part(one.part).position) for one in unit.adjust)
    if len(found.positions) > _MOST:
        found.positions.clear()
    found.positions[deviations] = positions
    return positions


def shifts_bias(stage: Stage, spread: Spread) -> bool:
    """Whether a spread can move a direct voltage; what stores charge or hums cannot."""
    if isinstance(spread, Layout) or spread.what in _STILL:
        return False
    return not any(
        part.name == spread.target and kind(part.kind).family == "capacitor" for part in stage.parts
    )


_shifts = ByIdentity(lambda stage, spread: shifts_bias(stage, spread), _MOST)


def _drawn(stage: Stage, adjust: Adjust, found: _Found) -> Steps[tuple[float, float]]:
    """What a trimmer is set to, V, and the slope of the reading's logarithm over the position.

    A reading may be flat where the trimmer is drawn, an output stage idling without any current,
    so that the two ends of the trimmer tell the sign of its slope.
    """
    from circuits.bench.supply import resolved

    name = adjust.part
    if name not in found.drawn:
        (one,) = [a for a in stage.adjust if a.part == name]
        nominal = resolved(stage)
        here = nominal.part(name).position
        aim = one.aim or (yield from _volts(nominal, one))
        step = _NUDGE if here < 0.5 else -_NUDGE
        at_rest = (yield from _off(nominal, one, aim, here)) if one.aim else 0.0
        slope = ((yield from _off(nominal, one, aim, here + step)) - at_rest) / step
        if not slope and one.aim:
            top = yield from _off(nominal, one, aim, 1.0)
            slope = top - (yield from _off(nominal, one, aim, 0.0))
        found.drawn[name] = aim, slope
    return found.drawn[name]


def _off(stage: Stage, adjust: Adjust, aim: float, position: float) -> Steps[float]:
    """How far the reading is above the aim at a position, as a natural logarithm."""
    share = (yield from _volts(_turned(stage, adjust.part, position), adjust)) / aim
    return math.log(max(share, _LEAST))


def _volts(stage: Stage, adjust: Adjust) -> Steps[float]:
    from circuits.bench.take import taking

    above, below = yield from taking(stage, _plan(adjust.at, adjust.origin))
    return float(above - below)


def _settled(stage: Stage, adjust: Adjust, aim: float, slope: float) -> Steps[float]:
    """The position at which a trimmer is set right."""
    search = _search(stage.part(adjust.part).position, slope)
    position = next(search)
    try:
        while True:
            position = search.send((yield from _off(stage, adjust, aim, position)))
    except StopIteration as end:
        return float(end.value)


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
    search = _search(start, slope)
    position = next(search)
    try:
        while True:
            position = search.send(reads(position))
    except StopIteration as end:
        return float(end.value)


def _search(start: float, slope: float) -> Generator[float, float, float]:
    """Yields positions, is sent how far the reading is above its aim there; see `settle`."""
    low, high = -math.inf, math.inf  # between these the position lies, as readings have shown
    here, off, rate, near = start, (yield start), slope, _NEAR_AS_DRAWN
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
        now = yield there
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

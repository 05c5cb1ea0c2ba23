"""Rails that follow what a unit draws: the supply's volts and ripple at the current that it gives.

The currents of a unit on its healthy rails tell whether there is anything to follow; where they are
those of a healthy unit within a few per cent, nothing is solved. Else secants on the voltage of
every source find where the unit draws what the supply gives, mostly in one or two operating points.

A rail given by its figures follows `circuits.feed`, a drawn supply `circuits.bench.demand`.
Behind a lamp in the mains lead even a healthy unit is solved, since its rails sag.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, partial

from circuits import supply as drawn
from circuits.behind_rails import rail_source
from circuits.bench.analysis import Answer, Bias, OperatingPoint
from circuits.bench.demand import given
from circuits.bench.engine import Engine
from circuits.bench.lamped import behind_lamp
from circuits.bench.steps import Steps, alone, ask
from circuits.bench.supply import given as given_rails
from circuits.bench.supply import resolved
from circuits.circuit import Circuit
from circuits.errors import NoSolution
from circuits.feed import Feed, fed, follows, pulses, strays
from circuits.identity import ByIdentity
from circuits.kinds import kind
from circuits.netlist import circuit
from circuits.stage import Part, Rail, Stage

_ALIKE = 0.03
"""A load that differs by less from the healthy one, relative to it, is that."""
_NEAR = 5e-3
"""Of a rail's voltage: a source that the supply would move by less is moved once more, unasked."""
_LEAST = 0.02
"""Of its healthy voltage, what the source of a rail has at least."""
_UNITS = 2_000
"""Sets of rails that are remembered (judgement)."""
_ROUNDS = 8
"""Operating points of one unit at most: secants mostly need one or two."""


# -- what a healthy unit takes ---------------------------------------------------------------------


def fed_as(healthy: Stage, unit: Stage) -> Stage:
    """A unit whose rails know what the healthy one takes from them, so that they follow.

    It asks for nothing in steps: the healthy unit is solved once in this process for all its
    variants.

    Parameters
    ----------
    healthy : Stage
        As drawn.
    unit : Stage
        A variant of it.
    """
    if not any(rail.supply is not None or pulses(rail, healthy.mains) for rail in healthy.rails):
        return unit
    return replace(unit, rails=_feeding(healthy)(unit.rails, draws_alike(healthy, unit)))


def _with_feeds(
    known: Mapping[str, Feed | None], rails: tuple[Rail, ...], alike: bool
) -> tuple[Rail, ...]:
    found = []
    for rail in rails:
        feed = known.get(rail.name)
        found.append(replace(rail, feed=None if feed is None else replace(feed, alike=alike)))
    return tuple(found)


@lru_cache(maxsize=8)
def _feeds(healthy: Stage) -> Mapping[str, Feed | None]:
    """By rail; none where the healthy unit cannot be simulated, which is somebody else's matter."""
    try:
        nominal = resolved(healthy)
        amps = alone(currents(nominal), Engine().run)
    except NoSolution:
        return {}
    most = _driven(nominal)
    beside = dict.fromkeys(healthy.shared, 1.0)  # as much again for the other channel
    return {
        rail.name: fed(rail, healthy.mains, taken, most, beside.get(rail.name, 0.0))
        for rail, taken in zip(healthy.rails, amps, strict=True)
    }


_feeding = ByIdentity(lambda healthy: ByIdentity(partial(_with_feeds, _feeds(healthy)), _UNITS), 64)
"""Of a healthy unit the rails of its variants with what it takes: most of them share the tuple."""


def swing(stage: Stage) -> float:
    """The largest crest that the rails allow, V; 0 where there are none."""
    volts = [0.0, *(rail.volts for rail in stage.rails)]
    return (max(volts) - min(volts)) / 2.0


def _driven(stage: Stage) -> float:
    """Mean current of one half of an output stage whose load has all that the rails allow, A.

    Of half a sine that is crest / (π·load); a stage with a high load takes more at rest.
    """
    return swing(stage) / (math.pi * stage.load) if stage.load else 0.0


def draws_alike(healthy: Stage, unit: Stage) -> bool:
    """Whether a unit cannot draw another direct current than the healthy one, by its parts.

    Capacitors carry none, whatever their value; a leakage is a part of its own.
    """
    if len(healthy.parts) != len(unit.parts) or len(healthy.rails) != len(unit.rails):
        return False
    return all(
        mine is other or _blocks(mine, other) or mine == other
        for mine, other in zip(healthy.parts, unit.parts, strict=True)
    ) and all(
        mine is other or _figures(mine) == _figures(other)
        for mine, other in zip(healthy.rails, unit.rails, strict=True)
    )


def _figures(rail: Rail) -> tuple[object, ...]:
    return rail.volts, rail.supply, rail.resistance


def _blocks(mine: Part, other: Part) -> bool:
    return (
        mine.nodes == other.nodes and mine.kind == other.kind
        and kind(mine.kind).family == "capacitor"
    )


# -- what a unit does to its rails -----------------------------------------------------------------


def loaded(stage: Stage, amps: Sequence[float] | None = None) -> Steps[Stage]:
    """The stage with every rail as its supply gives it at what the unit draws at rest.

    Parameters
    ----------
    stage : Stage
        A rail without a `feed` does not follow; one with a drawn supply then has what this gives
        to the healthy unit.
    amps : sequence of float, optional
        What the unit draws on the rails of `unasked`, where that was asked already, A.

    Raises
    ------
    InputError, NoSolution
        As `supply.resolved`; NoSolution also where no operating point is found.
    """
    nominal, sure = unasked(stage)
    return nominal if sure else (yield from _settled(nominal, amps))


def unasked(stage: Stage) -> tuple[Stage, bool]:
    """The stage at what the healthy unit draws, and whether that is surely what `loaded` gives.

    If not, what it draws there has to be asked (`draw`).
    """
    feeds = [rail.feed for rail in stage.rails if rail.feed is not None]
    if not feeds and not stage.lamp:
        return resolved(stage), True
    nominal = replace(stage, rails=_nominal(stage.rails, stage.mains))
    return nominal, all(feed.alike for feed in feeds) and not stage.lamp


def _unsettled(rails: tuple[Rail, ...], mains: float) -> tuple[Rail, ...]:
    return tuple(
        rail if old.feed is None else replace(rail, unloaded=old, gives=old.feed.amps)
        for rail, old in zip(given_rails(rails, mains), rails, strict=True)
    )


_nominal = ByIdentity(_unsettled, _UNITS)
"""Rails at what the healthy unit takes, each with itself before."""


def _settled(stage: Stage, told: Sequence[float] | None) -> Steps[Stage]:
    """The stage at what it draws; the very same where that is what a healthy one does."""
    net: Circuit | None = None
    aims = [_Bracket(_LEAST * abs(rail.volts)) for rail in stage.rails]
    limits = [_NEAR * abs(rail.volts) for rail in stage.rails]
    for turn in range(_ROUNDS):
        if not turn and told is not None:
            amps = told
        else:
            net = circuit(stage) if net is None else _fed_by(net, stage.rails)
            amps = yield from _taken(net, stage.rails)
        if not turn and not stage.lamp and not _strayed(stage, amps):
            break
        wanted = following(stage, amps, -math.inf)
        apart = [abs(a.volts - b.volts) for a, b in zip(wanted, stage.rails, strict=True)]
        stage = replace(stage, rails=tuple(
            replace(new, volts=aim.next(now.volts, new.volts), gives=taken)
            for new, now, aim, taken in zip(wanted, stage.rails, aims, amps, strict=True)
        ))
        if all(off < limit for off, limit in zip(apart, limits, strict=True)):
            break
    return stage


def currents(stage: Stage) -> Steps[list[float]]:
    """What a stage takes from each rail at rest, A, positive where the rail gives it."""
    return (yield from _taken(circuit(stage), stage.rails))


def _taken(net: Circuit, rails: Sequence[Rail]) -> Steps[list[float]]:
    (bias,) = yield from ask(net, (draw(rails),))
    return drawn_of(rails, bias)


def draw(rails: Sequence[Rail]) -> OperatingPoint:
    """What tells the currents that a stage draws from its rails."""
    return _draw(tuple(rail.name for rail in rails))


@lru_cache(maxsize=64)
def _draw(rails: tuple[str, ...]) -> OperatingPoint:
    return OperatingPoint((), tuple(map(rail_source, rails)))


def drawn_of(rails: Sequence[Rail], answer: Answer) -> list[float]:
    """Those currents, A, positive where the rail gives it."""
    assert isinstance(answer, Bias)
    return [max(-float(amps) * math.copysign(1.0, rail.volts), 0.0)
            for rail, amps in zip(rails, answer.branches, strict=True)]


def _fed_by(net: Circuit, rails: Sequence[Rail]) -> Circuit:
    """The circuit with other voltages of its rails; all else of it is built once."""
    volts = {rail_source(rail.name): rail.volts for rail in rails}
    return replace(net, elements=tuple(
        replace(e, value=volts[e.name]) if e.name in volts else e for e in net.elements
    ))


def following(
    stage: Stage, amps: Sequence[float], least: float = _LEAST
) -> tuple[Rail, ...]:
    """The rails of a stage as their supplies give them at some currents.

    Parameters
    ----------
    stage : Stage
        From `loaded`; rails that do not follow stay as they are.
    amps : sequence of float
        One a rail, A.
    least : float
        Of its healthy voltage, what is left of that at least.
    """
    more = _more(stage, amps)
    lamps = behind_lamp(stage, amps, more) if stage.lamp else {}
    rails = []
    for rail, drawn_now in zip(stage.rails, amps, strict=True):
        old = rail.unloaded
        if old is None:
            rails.append(rail)
        elif old.supply is not None:
            demand = more[_owner(old)]
            demand = 1.0 if abs(demand - 1.0) <= _ALIKE else demand
            found = given(old, stage.mains, demand, lamps.get(_owner(old), 0.0))
            volts = math.copysign(found.volts, old.volts)
            rails.append(replace(rail, volts=volts, ripple=found.ripple))
        else:
            volts, ripple = follows(old, drawn_now, lamps.get(old.name, 0.0))
            lines = tuple((f, level * ripple) for f, level in old.ripple)
            rails.append(replace(rail, volts=old.volts * max(volts, least), ripple=lines))
    return tuple(rails)


def _strayed(stage: Stage, amps: Sequence[float]) -> bool:
    more = _more(stage, amps)
    for rail, drawn_now in zip(stage.rails, amps, strict=True):
        old = rail.unloaded
        if old is None:
            continue
        if old.supply is not None:
            if abs(more[_owner(old)] - 1.0) > _ALIKE:
                return True
        elif abs(strays(old, drawn_now)) > _ALIKE:
            return True
    return False


def _owner(rail: Rail) -> str:
    assert rail.supply is not None
    return rail.supply.name or rail.name


def _more(stage: Stage, amps: Sequence[float]) -> dict[str, float]:
    """Demand of every drawn supply over what it has of itself, its healthy share in that.

    A demand is a resistor, as the healthy unit nearly is, so that one at another voltage asks for
    no other demand.
    """
    factors: dict[str, float] = {}
    for rail, drawn_now in zip(stage.rails, amps, strict=True):
        old = rail.unloaded
        if old is None or old.supply is None or old.feed is None:
            continue
        whole = old.supply.part(drawn.DEMAND).parameter("current")
        scale = old.feed.volts / max(abs(rail.volts), 1e-3 * old.feed.volts)
        further = (drawn_now * scale - old.feed.amps) / whole
        factors[_owner(old)] = factors.get(_owner(old), 1.0) + further
    return factors


class _Bracket:
    """Where a source settles: secants of what the supply would give less what it has.

    That falls while the source rises, for a unit which draws more from more.
    """

    def __init__(self, least: float) -> None:
        self._least = least
        self._last: tuple[float, float] | None = None
        self._low, self._high = -math.inf, math.inf

    def next(self, here: float, wanted: float) -> float:
        """The next source to try, V, of either sign."""
        sign = math.copysign(1.0, here)
        at, off = abs(here), sign * wanted - abs(here)
        if off > 0.0:
            self._low = max(self._low, at)
        else:
            self._high = min(self._high, at)
        there = at + off
        if self._last is not None and self._last[0] != at:
            slope = (off - self._last[1]) / (at - self._last[0])
            if slope < -1e-3:
                there = at - off / slope
        if not self._low < there < self._high and self._low < self._high:
            inner = [x for x in (self._low, self._high) if math.isfinite(x)]
            there = at + off if len(inner) < 2 else sum(inner) / 2.0
        self._last = at, off
        return sign * max(there, self._least)

"""The spread of healthy parts: what may differ between two good units of the same stage.

Every number that may stray is one `Spread`; a unit is drawn, or nudged for a sensitivity, by
giving each spread a deviation in units of its own standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from circuits import excess
from circuits.chain import PICKUP as PICKUP
from circuits.feed import feeding, pulses
from circuits.stage import GROUND, Lines, Part, Rail, Stage, short_name

MAINS = "mains"
"""Name under which the mains voltage does; it is the same for every supply."""

RAILS = "rails"
"""Name under which stands what is alike for all rails that are given by their figures."""

SETTING = "setting"
"""What a trimmer was set to varies as whoever set it missed the aim."""

_RAIL_VOLTS = 0.02
"""Of a rail's voltage: relative standard deviation between good units (judgement)."""
_RAIL_RIPPLE = 0.25
"""The same of a rail's ripple (judgement)."""
_PICKUP = 0.35
"""The same of what a stage picks up (judgement)."""
_TILT = 0.5
"""Standard deviation of the exponent of frequency by which lines of stray mains fall otherwise than
drawn: the odd ones of a transformer near saturation are several times as strong (judgement)."""
_ESR = 0.35
"""The same of an equivalent series resistance (judgement)."""
_INDEX = 0.7
"""The same of what the noise index of resistors of one kind stands for, V/V: 6 dB, since makers'
figures of carbon film lie 20 dB apart from end to end (judgement; the range from memory)."""
_MAINS = 0.03
"""Relative standard deviation of the mains voltage from its nominal one on the day (judgement)."""
_IMBALANCE = 0.7
"""Of the natural logarithm of how far two halves of a winding differ (judgement)."""


OF_ONE_MAKE = ("carbon-composition", "carbon-film", "metal-film")
"""Resistors that whoever built a unit took from one maker each; a wiper's noise is its own."""


@dataclass(frozen=True)
class Spread:
    """One number of a stage that varies between good units.

    Attributes
    ----------
    target : str
        Name of a part, a part of a supply or a rail, a kind of resistors, one of the stage's
        `pickups`, `MAINS` or `RAILS`.
    what : str
        ``value``, ``esr``, ``volts``, ``ripple``, ``pickup`` and ``tilt`` of stray mains,
        ``regulation`` and ``others`` (`circuits.feed`), a parameter, `circuits.excess.INDEX` of all
        resistors of a kind, or ``setting``: the reading that a trimmer is set by
        (`circuits.adjust`).
    sigma : float
        Standard deviation of its natural logarithm.
    bounded : bool
        True where makers promise a limit (uniform between its limits); false for log-normal.
    """

    target: str
    what: str
    sigma: float
    bounded: bool = False


@dataclass(frozen=True)
class LeftOpen(Spread):
    """What no unit of the stage need share with its file; see `faultlib.makes`."""


@dataclass(frozen=True)
class Make(LeftOpen):
    """What moves together in all devices of one model, `target`, from one make to another.

    Attributes
    ----------
    moves : tuple of (parameter, float)
        Change of each parameter's natural logarithm for one standard deviation; `sigma` is 1.
    """

    moves: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Design(LeftOpen):
    """Nominal values that differ together from one design of a kind of stage to another.

    Attributes
    ----------
    moves : tuple of (part or rail, float)
        Change of the natural logarithm of each value for one standard deviation; `sigma` is 1.
    """

    moves: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Layout(LeftOpen):
    """A stray capacitance from a node, `target`, to ground; `sigma` is in farads."""


def spreads(stage: Stage) -> tuple[Spread, ...]:
    """Everything that varies between good units of a stage.

    The tolerance of a value is a limit; a uniform spread between the limits has a standard
    deviation of limit / √3.
    """
    varying = [spread for part in stage.parts for spread in _of_part(part)]
    for rail in stage.rails:
        if rail.supply is None:
            varying.append(Spread(rail.name, "volts", _RAIL_VOLTS))
            if rail.ripple:
                varying.append(Spread(rail.name, "ripple", _RAIL_RIPPLE))
    soft = [rail for rail in stage.rails if pulses(rail, stage.mains)]
    if soft:
        varying.append(Spread(RAILS, "regulation", feeding().regulation_sigma))
    if any(rail.others for rail in soft):
        varying.append(Spread(RAILS, "others", feeding().others_sigma))
    supplied = stage.supply_parts
    varying += [spread for part in supplied for spread in _of_part(part)]
    if supplied:
        varying.append(Spread(MAINS, "volts", _MAINS))
    varying += [Spread(name, "pickup", _PICKUP) for name in stage.pickups]
    tilting = partial(tilted, exponent=1.0)  # a single line has nothing to tilt
    varying += [Spread(name, "tilt", _TILT) for name in stage.pickups
              if stage.with_pickup(name, tilting) != stage]
    varying += [Spread(one.part, SETTING, one.within) for one in stage.adjust if one.within > 0.0]
    noisy = sorted({part.kind for part in stage.parts if part.kind in OF_ONE_MAKE})
    varying += [Spread(name, excess.INDEX, _INDEX) for name in noisy]
    return tuple(varying)


def _of_part(part: Part) -> list[Spread]:
    varying: list[Spread] = []
    if part.value is not None and part.tolerance > 0.0:
        limit = math.log1p(part.tolerance) / math.sqrt(3.0)
        varying.append(Spread(part.name, "value", limit, bounded=True))
    if part.esr > 0.0 and part.kind in ("electrolytic", "tantalum"):
        varying.append(Spread(part.name, "esr", _ESR))
    if part.parameter("imbalance") and part.kind == "winding":
        varying.append(Spread(part.name, "imbalance", _IMBALANCE))
    return varying + [Spread(part.name, name, math.log1p(s)) for name, s in part.spread if s > 0.0]


def deviate(stage: Stage, deviations: Sequence[tuple[Spread, float]]) -> Stage:
    """The stage with some of its numbers moved; trimmers stay where they are.

    Parameters
    ----------
    deviations : sequence of (Spread, float)
        Each with its deviation in standard deviations.
    """
    if not deviations:
        return stage
    parts = {part.name: part for part in stage.parts}
    rails = {rail.name: rail for rail in stage.rails}
    makes: dict[str, dict[str, float]] = {}
    for spread, z in deviations:
        factor = math.exp(spread.sigma * z)
        if isinstance(spread, Make):
            logs = makes.setdefault(spread.target, {})
            for what, change in spread.moves:
                logs[what] = logs.get(what, 0.0) + change * z
        elif isinstance(spread, Design):
            for name, change in spread.moves:
                by = math.exp(change * z)
                if name in rails:
                    rails[name] = replace(rails[name], volts=rails[name].volts * by)
                elif (nominal := parts[name].value) is not None:
                    parts[name] = replace(parts[name], value=nominal * by)
        elif isinstance(spread, Layout):
            stray = abs(spread.sigma * z)
            name = f"layout.{spread.target}"
            parts[name] = Part(name, "ceramic", (spread.target, GROUND), stray)
        elif spread.what == SETTING:
            stage = replace(stage, adjust=tuple(
                replace(one, missed=one.missed * factor) if one.part == spread.target else one
                for one in stage.adjust
            ))
        elif spread.what == excess.INDEX:
            for name, part in parts.items():
                if part.kind == spread.target:
                    parts[name] = _louder(part, factor)
        elif spread.what == "pickup":
            stage = stage.with_pickup(spread.target, partial(scaled, factor=factor))
        elif spread.what == "tilt":
            stage = stage.with_pickup(spread.target, partial(tilted, exponent=spread.sigma * z))
        elif spread.target == RAILS:
            for name, rail in rails.items():
                rails[name] = (
                    replace(rail, regulation=rail.regulation * factor)
                    if spread.what == "regulation"
                    else replace(rail, others=rail.others * factor)
                )
        elif spread.target in rails and spread.what in ("volts", "ripple"):
            rail = rails[spread.target]
            rails[spread.target] = (
                replace(rail, volts=rail.volts * factor)
                if spread.what == "volts"
                else replace(rail, ripple=scaled(rail.ripple, factor))
            )
        elif spread.target in parts:
            parts[spread.target] = _moved(parts[spread.target], spread, factor)
        else:
            for name, rail in rails.items():
                rails[name] = _supplied(rail, spread, factor)
    for name, part in parts.items():
        logs = makes.get(part.model or part.name, {})
        if logs:
            factors = {w: math.exp(log) for w, log in logs.items() if w not in part.known}
            parts[name] = part.scaled(factors)
    return replace(stage, parts=tuple(parts.values()), rails=tuple(rails.values()))


def _louder(part: Part, factor: float) -> Part:
    """A resistor whose excess noise is so many times as strong."""
    usual = excess.index(part)
    assert usual is not None
    return part.with_parameter(excess.INDEX, usual + 20.0 * math.log10(factor))


def _supplied(rail: Rail, spread: Spread, factor: float) -> Rail:
    """A rail with its supply moved; one that another supply feeds stays as it is."""
    supply = rail.supply
    if supply is None:
        return rail
    if spread.target == MAINS:
        return replace(rail, supply=replace(supply, mains=supply.mains * factor))
    if spread.target not in rail.supply_parts():
        return rail
    short = short_name(spread.target)
    parts = tuple(_moved(p, spread, factor) if p.name == short else p for p in supply.parts)
    return replace(rail, supply=replace(supply, parts=parts))


def _moved(part: Part, spread: Spread, factor: float) -> Part:
    if spread.what == "value":
        assert part.value is not None
        return replace(part, value=part.value * factor)
    if spread.what == "esr":
        return replace(part, esr=part.esr * factor)
    return part.scaled({spread.what: factor})


def scaled(lines: Lines, factor: float) -> Lines:
    """Spectral lines with every amplitude multiplied."""
    return tuple((frequency, amplitude * factor) for frequency, amplitude in lines)


def tilted(lines: Lines, exponent: float) -> Lines:
    """Spectral lines with a power of frequency on every amplitude; the lowest stays."""
    lowest = min((frequency for frequency, _ in lines), default=1.0)
    return tuple((f, amplitude * (f / lowest) ** exponent) for f, amplitude in lines)


def draw(stage: Stage, random: np.random.Generator) -> tuple[tuple[Spread, float], ...]:
    """Deviations of one good unit, drawn at random.

    Makes of resistors have numbers of their own, so that a seed's parts are what they were without.
    """
    deviations = []
    (makes,) = random.spawn(1)
    for spread in spreads(stage):
        limit = math.sqrt(3.0)
        lot = makes if spread.what == excess.INDEX else random
        z = lot.uniform(-limit, limit) if spread.bounded else lot.normal()
        deviations.append((spread, float(z)))
    return tuple(deviations)


def covariance(sensitivities: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance of the readings of good units: Jᵀ J.

    Parameters
    ----------
    sensitivities : (p, m) array
        Change of every reading for one standard deviation of every spread.

    Returns
    -------
    (m, m) array
    """
    return sensitivities.T @ sensitivities

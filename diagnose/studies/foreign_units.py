"""Units that the stage file does not quite describe: other devices, layout and nominal values.

Scoring on them shows what the probabilities are worth on real units, which no stage file fits
exactly. Both channels of a foreign unit are built alike, apart from the tolerance of their parts.
All numbers here are judgement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from circuits.errors import NoSolution
from circuits.excess import INDEX
from circuits.stage import GROUND, Part, Stage
from faultlib.adjust import Deviations, aims, readings
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import Spread, scaled, spreads

_DEVICE = 0.25
"""Standard deviation of the logarithm of a device parameter between makers."""
_LAYOUT = 30e-12
"""Largest stray capacitance from a node to ground, F."""
_STRAY = 0.3
"""Share of nodes that have one."""
_MISSED, _LEAST_MISSED = 3.5, 0.02
"""Standard deviations of who sets it, and of the aim at least: a trimmer that is farther off was
not set so, it stands at its end."""
_TRIES = 20
"""Units that are drawn for one whose trimmers can be set, at most."""
_DIFFER = frozenset({
    "BF", "IS", "VAF", "IKF", "RB", "RE", "RC", "RS", "TF", "CJE", "CJC", "CJO", "KF", "BETA", "KP",
    "LAMBDA", "CGSO", "CGDO", "CGS", "CGD", "gain", "gbw", "input resistance",
    "output resistance", "noise voltage", "bias current", "supply current", "slew rate", "mu",
    "kg1", "cgk", "cag",
})
"""Parameters that differ between makers; the others describe a law and not a device."""


def aimed(stage: Stage, bench: Bench) -> Stage:
    """The stage with its trimmers to be set to what it reads itself, whatever becomes of its parts.

    Raises
    ------
    NoSolution
        When the stage itself cannot be simulated.
    """
    if not stage.adjust:
        return stage
    pairs = [readings(one) for one in stage.adjust]
    answer = bench.values(stage, [Variant()], [reading for pair in pairs for reading in pair])
    volts = answer.values[0]
    if np.isnan(volts).any():
        raise NoSolution(f"the healthy stage {stage.name} could not be simulated")
    return aims(stage, [float(v) for v in volts[::2] - volts[1::2]])


def foreign(stage: Stage, random: np.random.Generator, unknown: float = 0.05) -> Stage:
    """A unit of the same topology that the stage file does not quite describe.

    Parameters
    ----------
    unknown : float
        Standard deviation of the logarithm of how far nominal values lie from the stage file's.

    Returns
    -------
    Stage
        With device parameters of another make, stray capacitances, other hum levels and values.
        Its trimmers are set to what `aimed` says; without, they would be set to what this unit
        happens to read with them as drawn.
    """
    makes: dict[str, dict[str, float]] = {}
    parts = tuple(_other(part, random, unknown, makes) for part in stage.parts)
    strays = tuple(
        Part(f"layout.{node}", "ceramic", (node, GROUND), float(random.uniform(0.1, 1.0)) * _LAYOUT)
        for node in stage.nodes
        if random.uniform() < _STRAY
    )
    hum = math.exp(random.normal(0.0, 0.4))
    return replace(
        stage,
        parts=parts + strays,
        pickup=scaled(stage.pickup, hum),
        stray=tuple((node, scaled(lines, hum)) for node, lines in stage.stray),
        rails=tuple(
            replace(r, ripple=scaled(r.ripple, math.exp(random.normal(0.0, 0.3))))
            for r in stage.rails
        ),
    )


def settable(stage: Stage, units: Sequence[Deviations], bench: Bench) -> bool:
    """Whether the trimmers of good units reach their aims: others leave no works.

    Parameters
    ----------
    stage : Stage
        As `foreign` makes it of one that is `aimed`.
    units : sequence of deviations
        Of their parts; each has been set as well as people set it.
    """
    if not stage.adjust:
        return True
    pairs = [readings(one) for one in stage.adjust]
    aims = np.array([one.aim for one in stage.adjust])
    missed = np.array([max(_MISSED * one.within, _LEAST_MISSED) for one in stage.adjust])
    rows = bench.values(stage, [Variant((), unit) for unit in units],
                        [reading for pair in pairs for reading in pair]).values
    reached = (rows[:, ::2] - rows[:, 1::2]) / aims
    # one that does not settle is told of by whoever takes its readings
    return not bool((np.abs(reached - 1.0) > missed).any())


def until_settable(
    actual: Stage, units: list[Deviations], stage: Stage, random: np.random.Generator,
    unknown: float, bench: Bench,
) -> tuple[Stage, list[Deviations]]:
    """A unit as drawn, or drawn anew from `stage` until its trimmers can be set.

    Parameters
    ----------
    units : list of deviations
        Of its parts, by `normal_draw`.
    stage, unknown :
        As `foreign` takes them.
    """
    for _ in range(_TRIES):
        if settable(actual, units, bench):
            break
        actual = foreign(stage, random, unknown)
        units = [normal_draw(actual, random) for _ in units]
    return actual, units


def _other(
    part: Part,
    random: np.random.Generator,
    unknown: float,
    makes: dict[str, dict[str, float]],
) -> Part:
    if part.parameters:
        make = makes.setdefault(part.model or part.name, {})
        for name, _ in part.parameters:
            make.setdefault(name, math.exp(random.normal(0.0, _DEVICE)))
        return replace(part, parameters=tuple(
            (name, value * make[name] if name in _DIFFER else value)
            for name, value in part.parameters
        ))
    if part.value is not None and part.tolerance > 0.0:
        return replace(part, value=part.value * math.exp(random.normal(0.0, unknown)))
    return part


def normal_draw(stage: Stage, random: np.random.Generator) -> tuple[tuple[Spread, float], ...]:
    """Deviations of one unit whose parts lie normally about their values, 2 σ at the limit.

    The ranking takes them as uniform within the limit; real batches are neither.
    """
    two = math.sqrt(3.0) / 2.0
    (makes,) = random.spawn(1)  # of resistors, so that a seed's parts are what they were without
    return tuple(
        (s, float((makes if s.what == INDEX else random).normal()) * (two if s.bounded else 1.0))
        for s in spreads(stage)
    )

"""A good unit at rest: voltages, currents and heat, and how far those of good units differ.

The spread is linear: every number that may stray (`faultlib.tolerance.spreads`) and everything
that the stage file leaves open (`faultlib.makes.left_open`) is moved by one standard deviation,
trimmers are set, and the changes add as squares.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuits.errors import EngineError, NoSolution
from circuits.stage import GROUND, Stage
from faultlib.adjust import Deviations, as_set, shifts_bias
from faultlib.makes import left_open
from faultlib.simulate import LATE, Laboratory, Problem, Progress
from faultlib.tolerance import spreads

if TYPE_CHECKING:
    from circuits.bench.rest import AtRest
    from circuits.bench.switching import Oscillation

NINE_OF_TEN = 1.6449
"""Standard deviations on either side that hold 90 % of a normal distribution (tables)."""
_MISSED = 0.02
"""Of its aim: a trimmer that is further off cannot be set (it is found within 0.5 %)."""


@dataclass(frozen=True)
class Figure:
    """A value of the nominal unit, and between which two 90 % of good units lie."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Unset:
    """A trimmer that does not reach what the stage file sets it to: both in V."""

    part: str
    aim: float
    reads: float


@dataclass(frozen=True)
class GoodUnit:
    """The healthy unit of a stage, everything in SI units.

    Attributes
    ----------
    stage : Stage
        With its trimmers set.
    volts : mapping of node to Figure
        Ground is not among them.
    currents : mapping of part to Figure
        As `circuits.bench.rest.PartAtRest.current`, without sign.
    watts : mapping of part to Figure
        Without the parts whose data do not tell.
    rails : mapping of rail to Figure
        A that each delivers.
    unset : tuple of Unset
    oscillation : Oscillation or None
        How it swings by itself.
    problems : tuple of Problem
        Units that could not be simulated; the spread lacks them.
    """

    stage: Stage
    volts: Mapping[str, Figure]
    currents: Mapping[str, Figure]
    watts: Mapping[str, Figure]
    rails: Mapping[str, Figure]
    unset: tuple[Unset, ...] = ()
    oscillation: Oscillation | None = None
    problems: tuple[Problem, ...] = ()

    @property
    def nominal_volts(self) -> dict[str, float]:
        """Volts of the nominal unit at every node and ground."""
        return {GROUND: 0.0, **{node: one.value for node, one in self.volts.items()}}


def good_unit(
    stage: Stage, laboratory: Laboratory, progress: Progress | None = None
) -> GoodUnit:
    """The healthy unit of a stage, with the spread of good units.

    Parameters
    ----------
    laboratory : Laboratory
        Where it is simulated; nothing of it is kept in the store.

    Raises
    ------
    NoSolution
        When the healthy unit itself cannot be simulated, or time is over before it is.
    """
    from circuits.bench.workers import Failure

    around = [s for s in (*spreads(stage), *left_open(stage)) if shifts_bias(stage, s)]
    (first,) = laboratory.each(_nominal, [()], stage)
    if isinstance(first, Failure):
        raise NoSolution(f"the healthy stage {stage.name} could not be simulated: {first.text}")
    units, row, swings, trouble = first
    rows = laboratory.each(_row, [((spread, 1.0),) for spread in around], stage, progress)
    problems = [Problem("self-oscillation", "no solution", trouble)] if trouble else []
    squares = np.zeros_like(row)
    for spread, moved in zip(around, rows, strict=True):
        if isinstance(moved, Failure):
            kind = LATE if moved.kind == LATE else "no solution"
            problems.append(Problem(f"spread of {spread.target} {spread.what}", kind, moved.text))
        else:
            squares += np.nan_to_num(moved - row) ** 2
    width = NINE_OF_TEN * np.sqrt(squares)
    figures = iter([Figure(float(x), float(x - w), float(x + w))
                    for x, w in zip(row, width, strict=True)])
    parts = [part.name for part in stage.parts]
    volts = {node: next(figures) for node in stage.nodes}
    currents = {name: _plain(next(figures)) for name in parts}
    watts = {name: _plain(next(figures)) for name in parts}
    rails = {rail.name: next(figures) for rail in stage.rails}
    return GoodUnit(
        units, volts, currents,
        {name: one for name, one in watts.items() if not math.isnan(one.value)},
        rails, _unset(units, {GROUND: 0.0, **{n: one.value for n, one in volts.items()}}), swings,
        tuple(problems),
    )


def _nominal(
    stage: Stage, deviations: Deviations
) -> tuple[Stage, NDArray[np.float64], Oscillation | None, str]:
    """Runs in a worker: the nominal unit, its row, and whether it swings or could not be tried."""
    from circuits.bench.rest import at_rest, unstable

    nominal = as_set(stage, deviations)
    row = _figures(at_rest(nominal))
    try:
        return nominal, row, unstable(nominal), ""
    except EngineError as error:
        return nominal, row, None, str(error)


def _row(stage: Stage, deviations: Deviations) -> NDArray[np.float64]:
    """Runs in a worker: the numbers of one unit."""
    from circuits.bench.rest import at_rest

    return _figures(at_rest(as_set(stage, deviations)))


def _figures(found: AtRest) -> NDArray[np.float64]:
    """Nodes, currents, watts (NaN where unknown), rails: the order of `good_unit`."""
    watts = [math.nan if p.watts is None else p.watts for p in found.parts]
    return np.array([
        *(found.volts[node] for node in found.stage.nodes),
        *(p.current for p in found.parts), *watts,
        *(found.rails[rail.name] for rail in found.stage.rails),
    ])


def _plain(signed: Figure) -> Figure:
    """A figure without its sign; what may go through zero begins there."""
    if math.isnan(signed.value):
        return signed
    low, high = sorted((abs(signed.low), abs(signed.high)))
    return Figure(abs(signed.value), 0.0 if signed.low * signed.high < 0.0 else low, high)


def _unset(stage: Stage, volts: Mapping[str, float]) -> tuple[Unset, ...]:
    """The trimmers that are told a voltage that they do not reach."""
    read = [(a, volts[a.at] - volts[a.origin]) for a in stage.adjust if a.aim]
    return tuple(Unset(a.part, a.aim, v) for a, v in read if abs(v / a.aim - 1.0) > _MISSED)

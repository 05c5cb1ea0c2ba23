"""A bench whose readings are closed forms of a unit's parts: no simulator, every answer on paper.

The linear unit has capacitors only, and every reading moves in proportion to the logarithm of
each capacitance. Loss of capacitance is then a straight line in the readings, tolerances are
exactly a covariance Jᵀ J, and two faults exactly add.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from circuits.errors import NoSolution
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from diagnose.inference.likelihood import Observed
from diagnose.inference.posterior import Weighed, weigh
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.signature import Signatures, signatures
from faultlib.simulate import Answer, Problem, Progress, Variant, unit

Array = NDArray[np.float64]
Rule = Callable[[Stage, Reading], float]
"""A reading of a unit, on the compared scale."""

FARADS = 22e-6
LOSS = "capacitance loss"


@dataclass
class FakeBench:
    """A `Bench` by a rule; remembers every variant that it was asked for.

    A rule that raises `NoSolution` makes a variant that cannot be simulated.
    """

    rule: Rule
    asked: list[Variant] = field(default_factory=list)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant."""
        rows = np.full((len(variants), len(readings)), np.nan)
        problems: list[Problem] = []
        for k, variant in enumerate(variants):
            self.asked.append(variant)
            made = unit(stage, variant)
            try:
                rows[k] = [self.rule(made, reading) for reading in readings]
            except NoSolution as error:
                problems.append(Problem(variant.label(), "no solution", str(error)))
            if progress is not None:
                progress(k + 1, len(variants))
        return Answer(rows, tuple(problems), len(variants))


@dataclass(frozen=True)
class LinearUnit:
    """Readings x_k = offset + Σ_i moves[k, i] · ln(C_i / 1 µF).

    Attributes
    ----------
    moves : (m, n) array
        Of m readings for n capacitors ``C1`` … ``Cn``.
    readings : tuple of m Reading
    tolerance : float
        Of every capacitor.
    offset : float
    """

    moves: Array
    readings: tuple[Reading, ...]
    tolerance: float = 0.001
    offset: float = 0.0

    @property
    def stage(self) -> Stage:
        """The stage: its capacitors from one node each to ground."""
        rails = tuple(Rail(r.rail, 10.0) for r in self.readings if r.rail)
        parts = tuple(
            Part(f"C{i + 1}", "electrolytic", (f"n{i + 1}", "0"), FARADS, self.tolerance)
            for i in range(self.moves.shape[1])
        )
        return Stage("linear", parts, rails=rails)

    def rule(self, stage: Stage, reading: Reading) -> float:
        """The reading of a unit; nothing moves one that it has not."""
        if reading not in self.readings:
            return self.offset
        k = self.readings.index(reading)
        total = self.offset
        for i in range(self.moves.shape[1]):
            farads = stage.part(f"C{i + 1}").value
            assert farads is not None
            total += float(self.moves[k, i]) * math.log(farads / FARADS)
        return total

    def bench(self) -> FakeBench:
        """A bench for it."""
        return FakeBench(self.rule)

    def losses(self) -> tuple[Hypothesis, ...]:
        """Loss of capacitance of every capacitor."""
        return tuple(h for h in hypotheses(self.stage) if h.mode.name == LOSS)

    def shift(self, which: int, place: float) -> Array:
        """How far loss of one capacitor (from 0) moves the readings, at a place on its scale."""
        size = self.losses()[which].mode.size(np.array([place]))
        return np.asarray(self.moves[:, which] * math.log(float(size[0])))

    def healthy(self) -> Array:
        """Readings of a good unit."""
        return np.full(len(self.readings), self.offset)

    def sensitivities(self) -> Array:
        """Change of every reading for a standard deviation (limit / √3) of every value."""
        return np.asarray(self.moves.T * math.log1p(self.tolerance) / math.sqrt(3.0))

    def found(self) -> Signatures:
        """Signatures of its losses."""
        return signatures(self.stage, self.readings, self.losses(), self.bench())

    def observed(self, values: Array, sigma: float | Array = 0.1) -> Observed:
        """Readings as measured, with the bench's uncertainty."""
        bench = np.broadcast_to(np.asarray(sigma, dtype=float), values.shape).copy()
        return Observed(self.readings, values, bench, ("",) * len(values))

    def weighed(self, observed: Observed, priors: Sequence[float] | None = None) -> Weighed:
        """Every loss weighed, equally likely unless stated."""
        found = self.found()
        logs = [0.0] * len(found.faults) if priors is None else [math.log(p) for p in priors]
        return weigh(found, observed, logs, self.bench())

    def permuted(self, order: Sequence[int]) -> LinearUnit:
        """The same unit with its readings in another order."""
        index = list(order)
        return replace(self, moves=self.moves[index],
                       readings=tuple(self.readings[k] for k in index))


def gains(count: int) -> tuple[Reading, ...]:
    """Gains at frequencies an octave apart, from 20 Hz."""
    return tuple(Reading("gain", frequency=20.0 * 2.0**k) for k in range(count))


def currents(count: int) -> tuple[Reading, ...]:
    """Supply currents of as many rails, whose model errors are independent."""
    return tuple(Reading("supply current", rail=f"v{k}") for k in range(count))

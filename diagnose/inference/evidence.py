"""A hypothesis scored against readings: its evidence, and the posterior of its sizes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.inference.censored import distances, log_likelihood, log_roughly, standing
from diagnose.inference.likelihood import Array, Covariance, Observed
from diagnose.inference.phasors import Phases
from diagnose.inference.quadrature import cells, distinct, quantiles, refined
from faultlib.catalogue import Hypothesis
from faultlib.fault import Fault

GRID = 65
"""Sizes at which the likelihood is integrated: their places on the mode's scale, 0 to 1."""
NOTCHES = 16.0
"""Steps from end to end of a mode's scale that the best size is rounded to; see `notch`."""


@dataclass(frozen=True)
class Scored:
    """One fault, or two at once, with the evidence for it.

    Attributes
    ----------
    hypotheses : tuple of k Hypothesis
    log_prior, log_evidence : float
        Natural logarithms.
    places : (n, k) array
        Grid of sizes, as places on the scale of each mode.
    weights : (n,) array
        Posterior over that grid, adds up to 1.
    predicted : (n, m) array
        Readings over that grid.
    square : float
        Squared distance of the readings at the best size, d².
    size : int
        How many readings it is of (`diagnose.inference.censored.distances`).
    spread : Covariance
        Of readings around the prediction.
    exact : bool
        Whether `spread` is the faulty unit's own.
    loose : float
        Logarithm of the evidence for a fault that does roughly the same (`log_loose`).
    phases : Phases or None
        What unknown phases do to its levels.
    """

    hypotheses: tuple[Hypothesis, ...]
    log_prior: float
    log_evidence: float
    places: Array
    weights: Array
    predicted: Array
    square: float
    size: int
    spread: Covariance
    exact: bool = False
    loose: float = -math.inf
    phases: Phases | None = None

    def cells(self, places: Array) -> Array:
        """The share of these faults that each point of a grid stands for; see `cells`."""
        return cells(places, [h.mode for h in self.hypotheses])

    @property
    def best(self) -> int:
        """Place in the grid of the most probable size."""
        return int(np.argmax(self.weights / self.cells(self.places)))

    def evenly(self, count: int) -> NDArray[np.intp]:
        """Where in the grid of one fault some evenly spaced sizes stand."""
        nearest = np.searchsorted(self.places[:, 0], np.linspace(0.0, 1.0, count))
        return distinct(np.minimum(nearest, len(self.places) - 1))

    @property
    def score(self) -> float:
        """Logarithm of prior times evidence."""
        return self.log_prior + self.log_evidence

    def interval(self, which: int) -> tuple[float, float, float]:
        """Best place of one fault's size, and the limits that hold 90 % of its posterior."""
        low, high = quantiles(self.places[:, which], self.weights, (0.05, 0.95))
        best = float(self.places[self.best, which])
        return best, min(float(low), best), max(float(high), best)


def rescored(
    scored: Scored, around: Covariance, observed: Observed, offset: Array | float = 0.0
) -> Scored:
    """A hypothesis scored again with its own spread.

    Parameters
    ----------
    offset : (m,) array, optional
        Added to what is predicted; see `diagnose.inference.relinearise`.
    """
    if observed.phases is not None:
        variances = (around.factor**2).sum(axis=1)
        observed = replace(observed, phases=observed.phases.within(variances))
    grid, predicted = scored.places, scored.predicted + offset
    if len(scored.hypotheses) == 1:
        grid, predicted = refined(grid, predicted, around, observed)
    at = standing(observed, predicted, around)
    share = np.log(scored.cells(grid))
    mass = log_likelihood(at) + share
    whole = log_sum(mass)
    squares, sizes = distances(at)
    nearest = int(squares.argmin())
    return replace(
        scored, log_evidence=whole, places=grid, weights=np.exp(mass - whole),
        predicted=predicted - offset, square=float(squares[nearest]), size=int(sizes[nearest]),
        spread=around, exact=True, loose=log_sum(log_roughly(at) + share),
        phases=observed.phases,
    )


def places(hypothesis: Hypothesis) -> Array:
    """The grid of sizes of a hypothesis, as places on its mode's scale."""
    return np.zeros(1) if not hypothesis.mode.sized else np.linspace(0.0, 1.0, GRID)


def notch(scored: Scored) -> float:
    """The best size, rounded to a place that other cases share (so that the store knows it)."""
    if not scored.hypotheses:
        return 0.0
    return float(round(scored.places[scored.best, 0] * NOTCHES) / NOTCHES)


def fault_at(hypothesis: Hypothesis, place: float) -> Fault:
    """The fault of a hypothesis at a place on its mode's scale."""
    return hypothesis.fault(float(hypothesis.mode.size(np.array([place]))[0]))


def log_sum(logs: Array) -> float:
    """Logarithm of the sum of exponentials."""
    top = float(np.max(logs))
    return top + math.log(float(np.exp(logs - top).sum()))

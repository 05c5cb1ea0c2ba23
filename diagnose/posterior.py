"""From simulated signatures and readings to the probability of every hypothesis.

Two passes. The first scores every fault at every size with the spread of a healthy unit, widened
where a fault moves the readings far (a saturated stage does not keep the tolerances of a healthy
one). The second simulates, for every hypothesis that could still matter, how good parts move the
readings of *that* faulty unit, and scores it again with its own spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.likelihood import (
    Array,
    Observed,
    Spread,
    log_student,
    model_covariance,
    spread,
    tail,
)
from faultlib.catalogue import Hypothesis
from faultlib.fault import Fault
from faultlib.signature import Signature, Signatures, Stepwise, sensitivities_at
from faultlib.simulate import Bench
from faultlib.tolerance import covariance

PRIOR_HEALTHY = 0.25
PRIOR_UNMODELLED = 0.03
"""A unit is on the bench because somebody thinks that it is ill; some faults stand in no
library. Both numbers are judgement."""

GRID = 65
"""Sizes at which the likelihood is integrated: their places on the mode's scale, 0 to 1."""
_COARSE = 17
_SHORTLIST = 28
_NATS = 18.0
_SHIFT_DOUBT = 0.15
_BROAD = (0.02, 0.06, 0.2, 0.6)


@dataclass(frozen=True)
class Scored:
    """One fault, or two at once, with the evidence for it.

    Attributes
    ----------
    hypotheses : tuple of k Hypothesis
    log_prior, log_evidence : float
    places : (n, k) array
        Grid of sizes, as places on the scale of each mode.
    weights : (n,) array
        Posterior over that grid, adds up to 1.
    predicted : (n, m) array
        Readings over that grid.
    square : float
        Squared distance of the readings at the best size, d².
    spread : Spread
        Of readings around the prediction.
    exact : bool
        Whether `spread` is the faulty unit's own.
    """

    hypotheses: tuple[Hypothesis, ...]
    log_prior: float
    log_evidence: float
    places: Array
    weights: Array
    predicted: Array
    square: float
    spread: Spread
    exact: bool = False

    @property
    def best(self) -> int:
        """Place in the grid of the most probable size."""
        return int(np.argmax(self.weights))

    @property
    def score(self) -> float:
        """Logarithm of prior times evidence."""
        return self.log_prior + self.log_evidence

    @property
    def credible(self) -> Array:
        """Predicted readings (c, m) at the sizes that hold 90 % of the posterior."""
        order = np.argsort(-self.weights)
        held = np.cumsum(self.weights[order])
        return self.predicted[order[: int(np.searchsorted(held, 0.9)) + 1]]

    def interval(self, which: int) -> tuple[float, float, float]:
        """Best place of one fault's size, and the limits that hold 90 % of its posterior."""
        order = np.argsort(self.places[:, which], kind="stable")
        place = self.places[order, which]
        held = np.cumsum(self.weights[order])
        low, high = np.interp([0.05, 0.95], held, place)
        best = float(self.places[self.best, which])
        return best, min(float(low), best), max(float(high), best)


@dataclass(frozen=True)
class Posterior:
    """Probabilities of everything that competes.

    Attributes
    ----------
    suspects : tuple of (Scored, float)
        Every modelled fault with its probability, by falling probability.
    healthy, unmodelled : float
    fit : float
        Chance that a unit with the best hypothesis gives readings farther off than these.
    """

    suspects: tuple[tuple[Scored, float], ...]
    healthy: float
    unmodelled: float
    fit: float
    healthy_spread: Spread


@dataclass(frozen=True)
class Weighed:
    """Everything scored, before probabilities are shared out.

    Attributes
    ----------
    scored : tuple of Scored
        One a signature.
    healthy, unmodelled : float
        Logarithms of prior times evidence.
    healthy_square : float
        Squared distance of the readings from a healthy unit.
    healthy_spread : Spread
    """

    scored: tuple[Scored, ...]
    healthy: float
    unmodelled: float
    healthy_square: float
    healthy_spread: Spread

    def fit(self) -> float:
        """Chance that a unit with the best hypothesis gives readings farther off than these."""
        squares = [self.healthy_square, *(s.square for s in self.scored)]
        return tail(min(squares), len(self.healthy_spread.factor))


def share(weighed: Weighed, pairs: Sequence[Scored] = ()) -> Posterior:
    """Share out probability among everything that competes.

    Parameters
    ----------
    weighed : Weighed
    pairs : sequence of Scored
        Two faults at once, where they were looked at.
    """
    scored = [*weighed.scored, *pairs]
    logs = np.array([s.score for s in scored] + [weighed.healthy, weighed.unmodelled])
    probabilities = np.exp(logs - log_sum(logs))
    order = np.argsort(-probabilities[:-2], kind="stable")
    squares = [weighed.healthy_square, *(s.square for s in scored)]
    return Posterior(
        tuple((scored[i], float(probabilities[i])) for i in order),
        float(probabilities[-2]),
        float(probabilities[-1]),
        tail(min(squares), len(weighed.healthy_spread.factor)),
        weighed.healthy_spread,
    )


def weigh(
    signatures: Signatures,
    observed: Observed,
    log_priors: Sequence[float],
    bench: Bench,
    progress: Stepwise | None = None,
) -> Weighed:
    """Score every hypothesis, health, and a fault outside the library.

    Parameters
    ----------
    signatures : Signatures
    observed : Observed
        Of the same readings.
    log_priors : sequence of float
        One a signature, relative to each other.
    bench : Bench
        Takes the readings of faulty units with moved parts.
    progress : callable, optional
    """
    base = spread(observed, signatures.sensitivities, signatures.healthy)
    modelled = math.log1p(-PRIOR_HEALTHY - PRIOR_UNMODELLED)
    whole = log_sum(np.array(log_priors)) if len(log_priors) else 0.0
    scored = [
        _screen(signature, signatures, observed, log_prior - whole + modelled)
        for signature, log_prior in zip(signatures.faults, log_priors, strict=True)
    ]
    square = base.squares(observed.residuals(signatures.healthy[None, :]))
    size = len(observed.readings)
    log_healthy = float(log_student(square, base.log_determinant, size)[0])
    scored = _own_spreads(scored, signatures, observed, bench, progress)
    return Weighed(
        tuple(scored),
        math.log(PRIOR_HEALTHY) + log_healthy,
        math.log(PRIOR_UNMODELLED) + _unmodelled(scored, signatures, observed),
        float(square[0]),
        base,
    )


def places(hypothesis: Hypothesis) -> Array:
    """The grid of sizes of a hypothesis, as places on its mode's scale."""
    return np.zeros(1) if not hypothesis.mode.sized else np.linspace(0.0, 1.0, GRID)


def _screen(
    signature: Signature, signatures: Signatures, observed: Observed, log_prior: float
) -> Scored:
    """Score with the healthy unit's spread, widened by a share of how far the fault moves things."""
    mode = signature.hypothesis.mode
    grid = places(signature.hypothesis)
    predicted = signature.at(mode.size(grid))
    healthy = signatures.healthy
    matrix = (
        covariance(signatures.sensitivities)
        + np.diag(observed.bench**2)
        + model_covariance(observed.readings, healthy)
    )
    coarse = predicted[:: max(1, (GRID - 1) // (_COARSE - 1))] if mode.sized else predicted
    doubt = (_SHIFT_DOUBT * (coarse - healthy)) ** 2
    stack = matrix[None, :, :] + doubt[:, :, None] * np.eye(len(healthy))[None, :, :]
    factors = np.linalg.cholesky(stack)
    residuals = observed.residuals(coarse)
    white = np.linalg.solve(factors, residuals[:, :, None])[:, :, 0]
    determinants = 2.0 * np.log(np.diagonal(factors, axis1=1, axis2=2)).sum(axis=1)
    squares = (white**2).sum(axis=1)
    logs = np.array(
        [float(log_student(q[None], d, len(healthy))[0])
         for q, d in zip(squares, determinants, strict=True)]
    )
    full = np.interp(grid, np.linspace(0.0, 1.0, len(coarse)), logs) if mode.sized else logs
    best = int(np.argmax(logs))
    whole = log_sum(full)
    return Scored(
        (signature.hypothesis,), log_prior, whole - math.log(len(full)), grid[:, None],
        np.exp(full - whole), predicted, float(squares[best]),
        Spread(factors[best], float(determinants[best])),
    )


def _own_spreads(
    scored: Sequence[Scored],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> list[Scored]:
    """Score the hypotheses that could still matter with their own spread, twice if they moved."""
    made = list(scored)
    if not made:
        return made
    ranked = sorted(range(len(made)), key=lambda i: -made[i].score)
    top = made[ranked[0]].score
    short = [i for i in ranked[:_SHORTLIST] if made[i].score > top - _NATS]
    before = {i: _notch(made[i]) for i in short}
    _rescore(made, short, signatures, observed, bench, progress)
    moved = [i for i in short if _notch(made[i]) != before[i]]
    _rescore(made, moved, signatures, observed, bench, progress)
    return made


def _notch(scored: Scored) -> float:
    """The best size, rounded to a place that other cases share (so that the store knows it)."""
    return float(round(scored.places[scored.best, 0] * 16.0) / 16.0)


def fault_at(hypothesis: Hypothesis, place: float) -> Fault:
    """The fault of a hypothesis at a place on its mode's scale."""
    return hypothesis.fault(float(hypothesis.mode.size(np.array([place]))[0]))


def _rescore(
    made: list[Scored],
    which: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    units = [(fault_at(made[i].hypotheses[0], _notch(made[i])),) for i in which]
    found = sensitivities_at(signatures.stage, observed.readings, units, bench, progress)
    for i, answer in zip(which, found, strict=True):
        if answer is not None:
            level, sensitivities = answer
            made[i] = rescored(made[i], spread(observed, sensitivities, level), observed)


def rescored(scored: Scored, around: Spread, observed: Observed) -> Scored:
    """A hypothesis scored again with its own spread."""
    squares = around.squares(observed.residuals(scored.predicted))
    logs = log_student(squares, around.log_determinant, len(observed.readings))
    whole = log_sum(logs)
    return replace(
        scored, log_evidence=whole - math.log(len(logs)), weights=np.exp(logs - whole),
        square=float(squares.min()), spread=around, exact=True,
    )


def _unmodelled(
    scored: Sequence[Scored], signatures: Signatures, observed: Observed
) -> float:
    """Log evidence of a fault that stands in no library.

    Such a fault moves the readings in the directions that faults of this stage move them, by
    amounts nobody knows: the healthy density stretched along the mean outer product of all
    signatures, at several scales.
    """
    healthy = signatures.healthy
    matrix = (
        covariance(signatures.sensitivities)
        + np.diag(observed.bench**2)
        + model_covariance(observed.readings, healthy)
    )
    noise = np.sqrt(np.diag(matrix))
    shifts = np.vstack([s.predicted[:: max(1, len(s.predicted) // 8)] for s in scored] or
                       [healthy[None, :]]) - healthy
    limit = 300.0 * noise
    shifts = np.clip(shifts, -limit, limit)
    directions = shifts.T @ shifts / len(shifts)
    # a little of every reading's own, for moves that no modelled fault makes
    directions = 0.8 * directions + 0.2 * np.diag(np.diag(directions))
    residual = observed.residuals(healthy[None, :])
    logs = []
    for scale in _BROAD:
        around = Spread.of(matrix + scale * directions)
        square = around.squares(residual)
        logs.append(float(log_student(square, around.log_determinant, len(healthy))[0]))
    return log_sum(np.array(logs)) - math.log(len(logs))


def log_sum(logs: Array) -> float:
    """Logarithm of the sum of exponentials."""
    top = float(np.max(logs))
    return top + math.log(float(np.exp(logs - top).sum()))

"""The first look at every hypothesis, and the second at those that could still matter.

The first scores every fault at every size with the spread of a healthy unit, widened where a
fault moves the readings far (a saturated stage does not keep the tolerances of a healthy one).
The second simulates how good parts move the readings of *that* faulty unit, and scores it again
with its own spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from diagnose.likelihood import Array, Observed, Spread, log_student, model_covariance, spread
from diagnose.scored import GRID, Scored, fault_at, log_sum, notch, places, rescored
from diagnose.sizes import cells
from faultlib.signature import Signature, Signatures, Stepwise, sensitivities_at
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import covariance

SIZES = 9
"""Sizes of every fault that tell how faults move the readings."""
_COARSE = 17
_SHORTLIST = 28
_BATCH = 6
_NATS = 13.0
_SHIFT_DOUBT = 0.15
_BROAD = (0.02, 0.06, 0.2, 0.6)


def good_units(signatures: Signatures, observed: Observed) -> Array:
    """Covariance (m, m) of the readings of good units, as this bench takes them."""
    return np.asarray(
        covariance(signatures.sensitivities)
        + np.diag(observed.bench**2)
        + model_covariance(observed.readings, signatures.healthy, observed.channels)
    )


def screen(
    signature: Signature,
    signatures: Signatures,
    observed: Observed,
    log_prior: float,
    among: Array | None = None,
) -> Scored:
    """Score with the healthy unit's spread, widened by a share of how far the fault goes.

    Parameters
    ----------
    signature : Signature
    signatures : Signatures
    observed : Observed
    log_prior : float
    among : (m, m) array, optional
        `good_units` of the same readings, where it is known.
    """
    mode = signature.hypothesis.mode
    grid = places(signature.hypothesis)
    predicted = signature.at(mode.size(grid))
    healthy = signatures.healthy
    matrix = good_units(signatures, observed) if among is None else among
    coarse = predicted[:: max(1, (GRID - 1) // (_COARSE - 1))] if mode.sized else predicted
    doubt = (_SHIFT_DOUBT * (coarse - healthy)) ** 2
    if mode.sized:
        doubt += np.gradient(coarse, axis=0) ** 2 / 12.0  # the size may lie between two points
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
    mass = full + np.log(cells(grid[:, None]))
    whole = log_sum(mass)
    return Scored(
        (signature.hypothesis,), log_prior, whole, grid[:, None],
        np.exp(mass - whole), predicted, float(squares[best]),
        Spread(factors[best], float(determinants[best])),
    )


def own_spreads(
    scored: Sequence[Scored],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> list[Scored]:
    """Score the hypotheses that could still matter with their own spread, twice if they moved.

    The likeliest come first, a few at a time: once they are known, what the screening put far
    behind them need not be simulated. Its own widened spread favours it as it is.
    """
    made = list(scored)
    if not made:
        return made
    ranked = sorted(range(len(made)), key=lambda i: -made[i].score)[:_SHORTLIST]
    done: list[int] = []
    moved: list[int] = []
    while ranked:
        best = max((made[i].score for i in done), default=made[ranked[0]].score)
        short = [i for i in ranked[:_BATCH] if made[i].score > best - _NATS]
        if not short:
            break
        before = {i: notch(made[i]) for i in short}
        _rescore(made, short, signatures, observed, bench, progress)
        moved += [i for i in short if notch(made[i]) != before[i]]
        done += short
        ranked = ranked[_BATCH:]
    best = max(made[i].score for i in done)
    again = [i for i in moved if made[i].score > best - _NATS]
    _rescore(made, again, signatures, observed, bench, progress)
    return made


def _rescore(
    made: list[Scored],
    which: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    units = [Variant((fault_at(made[i].hypotheses[0], notch(made[i])),)) for i in which]
    found = sensitivities_at(
        signatures.stage, observed.readings, units, signatures.spreads, bench, progress
    )
    for i, answer in zip(which, found, strict=True):
        if answer is not None:
            level, sensitivities = answer
            made[i] = rescored(made[i], spread(observed, sensitivities, level), observed)


def _shifts(scored: Sequence[Scored], signatures: Signatures) -> Array:
    """How all faults move the readings, (n, m), those that were left out among them.

    What was not simulated of these moves as it does with the others: the few that are left for
    their likeness to the readings would lend it that likeness.
    """
    healthy = signatures.healthy
    known = np.vstack([s.predicted[s.evenly(SIZES)] for s in scored] or [healthy[None, :]])
    beside = signatures.beside
    if not len(beside):
        return np.asarray(known - healthy)
    others = known[np.arange(len(beside)) % len(known)]
    return np.vstack([known, np.where(np.isnan(beside), others, beside)]) - healthy


def unmodelled(
    scored: Sequence[Scored], signatures: Signatures, observed: Observed
) -> float:
    """Log evidence of a fault that stands in no library.

    Such a fault moves the readings in the directions that faults of this stage move them, by
    amounts nobody knows: the healthy density stretched along the mean outer product of all
    signatures, at several scales.
    """
    healthy = signatures.healthy
    matrix = good_units(signatures, observed)
    noise = np.sqrt(np.diag(matrix))
    shifts = _shifts(scored, signatures)
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



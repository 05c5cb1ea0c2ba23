"""The first look at every hypothesis, and the second at those that could still matter.

The first scores every fault at every size with the spread of a healthy unit, widened where a
fault moves the readings far (a saturated stage does not keep the tolerances of a healthy one).
The second simulates how good parts move the readings of *that* faulty unit, and scores it again
with its own spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.inference.censored import distances, log_likelihood, log_roughly, standings
from diagnose.inference.evidence import GRID, Scored, fault_at, log_sum, notch, places, rescored
from diagnose.inference.likelihood import Array, Covariance, Observed, covariance_around, spread
from diagnose.inference.model_error import leaking
from diagnose.inference.phasors import RAYLEIGH_DB, phases
from diagnose.inference.quadrature import cells
from faultlib.signature import Signature, Signatures, Stepwise, differences
from faultlib.simulate import Bench, Variant

_COARSE = 17
"""Sizes at which the screening looks, of the `GRID` of a mode."""
_TOGETHER = 16 << 20
"""Bytes that the covariances of all faults that are screened together may take (judgement)."""
_SHORTLIST = 28
"""Hypotheses that are scored with their own spread, at most."""
_BATCH = 6
"""Those that are simulated together; after each such lot the rest is judged by what came out."""
_KIN = 8
"""Other faults of the parts that lead, at most."""
_NATS = 13.0
"""Hypotheses this far behind the best, in natural logarithms, keep the screening's score: 2e-6 of
its weight, which leaves room for what the screening misjudges."""
_GROSS = 0.3
"""Of how far health is behind the best, natural logarithms: how far a gross fault may be behind it
and still be looked at more closely (judgement). Lines miss the more the farther a unit is from a
good one: a shorted resistor of a current source stood 0.22 of it behind, and came out ahead."""
_FARTHEST = 100.0
"""Natural logarithms that nothing is farther behind that is looked at so."""
_MOVED_DB = 3.0
"""A line of hum that a fault moves by less has the parts that it has in the healthy unit."""
SHIFT_DOUBT = 0.15
"""Of how far a fault moves a reading: standard deviation of what is not known of that as long as
the healthy unit's spread stands for the faulty unit's own (judgement)."""


def good_units(signatures: Signatures, observed: Observed) -> Array:
    """Covariance (m, m) of the readings of good units, as this bench takes them."""
    return covariance_around(observed, signatures.healthy, signatures.strays)


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
    log_prior : float
        Natural logarithm.
    among : (m, m) array, optional
        `good_units` of the same readings, where it is known.
    """
    return screened([signature], signatures, observed, [log_prior], among)[0]


def screened(
    faults: Sequence[Signature],
    signatures: Signatures,
    observed: Observed,
    log_priors: Sequence[float],
    among: Array | None = None,
) -> list[Scored]:
    """`screen` of several signatures, as many at once as is good for the memory.

    Parameters
    ----------
    log_priors : sequence of float
        Natural logarithms, one a signature.
    among : (m, m) array, optional
        `good_units` of the same readings, where it is known.
    """
    matrix = good_units(signatures, observed) if among is None else among
    count = max(1, _TOGETHER // (8 * _COARSE * matrix.size))
    scored: list[Scored] = []
    for start in range(0, len(faults), count):
        some = slice(start, start + count)
        scored += _screened(faults[some], signatures, observed, log_priors[some], matrix)
    return scored


def _screened(
    faults: Sequence[Signature],
    signatures: Signatures,
    observed: Observed,
    log_priors: Sequence[float],
    matrix: Array,
) -> list[Scored]:
    healthy, grids, predictions, coarse, doubts = signatures.healthy, [], [], [], []
    for signature in faults:
        mode = signature.hypothesis.mode
        grids.append(places(signature.hypothesis))
        predicted = signature.at(mode.size(grids[-1]))
        few = predicted[:: max(1, (GRID - 1) // (_COARSE - 1))] if mode.sized else predicted
        doubt = (SHIFT_DOUBT * (few - healthy)) ** 2 + leaking(observed.readings, few - healthy)
        if observed.phases is not None:
            # by how many ways a line comes that a fault has moved is not known yet
            sums = np.array([r.about.kind == "mains" for r in observed.readings])
            doubt[sums & (np.abs(few - healthy) > _MOVED_DB)] += RAYLEIGH_DB**2
        if mode.sized:
            doubt += np.gradient(few, axis=0) ** 2 / 12.0  # the size may lie between two points
        predictions.append(predicted)
        coarse.append(few)
        doubts.append(doubt)
    rows = np.concatenate(coarse)
    stack = np.repeat(matrix[None], len(rows), axis=0)
    diagonal = np.arange(len(healthy))
    stack[:, diagonal, diagonal] += np.concatenate(doubts)
    at = standings(observed, observed.residuals(rows), stack)
    logs, loose = log_likelihood(at), log_roughly(at)
    squares, sizes = distances(at)
    scored, start = [], 0
    for k, signature in enumerate(faults):
        here = slice(start, start + len(coarse[k]))
        best = start + int(np.argmax(logs[here]))
        start = here.stop
        scored.append(_score(
            signature, log_priors[k], grids[k], predictions[k], logs[here], loose[here],
            float(squares[best]), int(sizes[best]), Covariance.of(stack[best]),
        ))
    return scored


def _score(
    signature: Signature, log_prior: float, grid: Array, predicted: Array, logs: Array,
    loose: Array, square: float, size: int, around: Covariance,
) -> Scored:
    """What comes of the likelihoods at the coarse sizes of a fault."""
    mode = signature.hypothesis.mode
    if mode.sized:
        known = np.linspace(0.0, 1.0, len(logs))
        logs, loose = (np.interp(grid, known, one) for one in (logs, loose))
    share = np.log(cells(grid[:, None], (mode,)))
    mass = logs + share
    whole = log_sum(mass)
    return Scored(
        (signature.hypothesis,), log_prior, whole, grid[:, None],
        np.exp(mass - whole), predicted, square, size, around, loose=log_sum(loose + share),
    )


def own_spreads(
    scored: Sequence[Scored],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
    healthy: float = math.inf,
) -> list[Scored]:
    """Score the hypotheses that could still matter with their own spread, twice if they moved.

    The likeliest come first, a few at a time: once they are known, what the screening put far
    behind them need not be simulated. Its own widened spread favours it as it is.

    Parameters
    ----------
    healthy : float
        Logarithm of prior times evidence of health; see `reach`.
    """
    faults = list(scored)
    if not faults:
        return faults
    ranked = sorted(range(len(faults)), key=lambda i: -faults[i].score)[:_SHORTLIST]
    done: list[int] = []
    moved: list[int] = []
    while ranked:
        best = max((faults[i].score for i in done), default=faults[ranked[0]].score)
        near = reach(_NATS, best, healthy, observed)
        short = [i for i in ranked[:_BATCH] if faults[i].score > best - near]
        if not short:
            break
        before = {i: notch(faults[i]) for i in short}
        _rescore(faults, short, signatures, observed, bench, progress)
        moved += [i for i in short if notch(faults[i]) != before[i]]
        done += short
        ranked = ranked[_BATCH:]
    best = max(faults[i].score for i in done)
    near = reach(_NATS, best, healthy, observed)
    if near > _NATS:
        kin = _kin(faults, done, best)
        before = {i: notch(faults[i]) for i in kin}
        _rescore(faults, kin, signatures, observed, bench, progress)
        moved += [i for i in kin if notch(faults[i]) != before[i]]
        best = max(faults[i].score for i in (*done, *kin))
    again = [i for i in moved if faults[i].score > best - near]
    _rescore(faults, again, signatures, observed, bench, progress)
    return faults


def _kin(faults: Sequence[Scored], done: Sequence[int], best: float) -> list[int]:
    """Other faults of the parts that lead, which gross symptoms tell apart by their own lines only.

    A transistor whose collector is off does much what it does without its base: the screening put
    the one 126 nats behind the other, its own lines 25 ahead.
    """
    parts = {faults[i].hypotheses[0].part for i in done if faults[i].score > best - _NATS}
    mine = [i for i, one in enumerate(faults)
            if i not in done and one.hypotheses[0].part in parts]
    return sorted(mine, key=lambda i: -faults[i].score)[:_KIN]


def reach(usual: float, best: float, healthy: float, observed: Observed) -> float:
    """How far behind the best hypotheses are looked at more closely, natural logarithms.

    Farther where the symptoms are gross: a faulty unit's lines about a dead stage, drawn with
    other rails and other makes than those on the bench, miss it by tens. Few faults come so near.

    Parameters
    ----------
    usual : float
        Where symptoms are slight, and under drive, where each look costs a hundred times more.
    best, healthy : float
        Logarithms of prior times evidence, of the best hypothesis and of health.
    """
    if any(r.driven for r in observed.readings):
        return usual
    return max(usual, min(_GROSS * (best - healthy), _FARTHEST))


def _rescore(
    made: list[Scored],
    which: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    units = [Variant((fault_at(made[i].hypotheses[0], notch(made[i])),)) for i in which]
    lines = signatures.lines(units, bench, progress)
    turns = phases(signatures.stage, units, observed.readings, bench, observed.channels, progress)
    for i, answer, turn in zip(which, lines, turns, strict=True):
        if answer is not None:
            level, sensitivities = answer
            shift = differences(level, signatures.healthy, observed.readings)
            own = replace(observed, phases=turn)
            made[i] = rescored(made[i], spread(own, sensitivities, level, shift), own)

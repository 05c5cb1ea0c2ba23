"""Two faults at once, for readings that no single fault explains.

Every pair is first judged as if the two faults' shifts simply added, which is one matrix product
for all pairs and sizes. The best pairs are then simulated together around their best sizes: many
coarsely, since shifts of strong faults do not add, and the few that remain finely.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.inference.censored import distances, log_likelihood, standing, standings
from diagnose.inference.evidence import Scored, fault_at, log_sum, rescored
from diagnose.inference.likelihood import Array, Covariance, Observed, log_student, spread
from diagnose.inference.phasors import phases
from diagnose.inference.posterior import Weighed
from diagnose.inference.quadrature import distinct
from faultlib.fault import Fault
from faultlib.signature import Signatures, Stepwise, differences, named
from faultlib.simulate import Bench, Variant

POOR_FIT = 0.01
"""Below this chance of worse readings under an answer, it does not explain them."""
LOG_SECOND = math.log(0.3)
"""Chance that an old unit with one fault has a second one (judgement); which one follows from
the priors of single faults."""

_SIZES = 9
"""Sizes of each fault with which all pairs are guessed, by adding shifts."""
_PAIRS = 24
"""Guessed pairs that are simulated: the likeliest."""
_FINE_PAIRS = 8
"""Those of them that are simulated once more, on the finer grid."""
_STEP = 1.0 / 16.0
"""Step of the finer grid on a mode's scale, 0 to 1; the first grid has twice as much."""
_FINER = 8
"""Parts that a step of the grid is divided into by straight lines, without simulation."""
_NATS = 6.0
"""Pairs this far behind the best, in natural logarithms, keep the healthy unit's spread: they hold
0.25 % of its weight."""


@dataclass(frozen=True)
class _Guess:
    """A pair with its best places, judged by adding shifts."""

    a: int
    b: int
    place_a: float
    place_b: float


def pairs(
    signatures: Signatures,
    observed: Observed,
    weighed: Weighed,
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[Scored]:
    """The pairs that could explain the readings, simulated and scored.

    Parameters
    ----------
    weighed : Weighed
        The same hypotheses one by one.

    Returns
    -------
    list of Scored
        Each with two hypotheses, the one that alone explains more first.
    """
    observed = replace(observed, phases=weighed.phases)
    guesses = _guesses(signatures, observed, weighed, _PAIRS)
    kept = _simulated(guesses, signatures, observed, weighed, bench, progress)
    top = max((pair.score for pair in kept), default=0.0)
    kept = [pair for pair in kept if pair.score > top - _NATS]
    units = [Variant(_faults(pair, *pair.places[pair.best])) for pair in kept]
    own_lines = signatures.lines(units, bench, progress)
    turns = phases(signatures.stage, units, observed.readings, bench, observed.channels, progress)
    scored_pairs = []
    for pair, lines, turn in zip(kept, own_lines, turns, strict=True):
        if lines is None:
            scored_pairs.append(pair)
            continue
        level, sensitivities = lines
        shift = differences(level, signatures.healthy, observed.readings)
        own = replace(observed, phases=turn)
        scored_pairs.append(rescored(pair, spread(own, sensitivities, level, shift), own))
    return scored_pairs


def _guesses(
    signatures: Signatures, observed: Observed, weighed: Weighed, most: int
) -> list[_Guess]:
    singles = weighed.scored
    if not singles:
        return []
    rows: list[Array] = []
    places: list[Array] = []
    owner: list[int] = []
    for i, scored in enumerate(singles):
        few = scored.evenly(_SIZES)
        rows.append(scored.predicted[few] - signatures.healthy)
        places.append(scored.places[few, 0])
        owner += [i] * len(places[-1])
    place = np.concatenate(places)
    whose = np.array(owner)
    logs = _added(np.vstack(rows), signatures.healthy, observed, weighed.healthy_spread)
    starts = np.searchsorted(whose, np.arange(len(singles)))
    counts = np.diff(np.append(starts, len(whose)))
    blocks = np.logaddexp.reduceat(np.logaddexp.reduceat(logs, starts, axis=0), starts, axis=1)
    priors = np.array([s.log_prior for s in singles])
    scores = (
        blocks - np.log(np.outer(counts, counts)) + priors[:, None] + priors[None, :] + LOG_SECOND
    )
    parts = np.array([s.hypotheses[0].part for s in singles])
    scores[parts[:, None] == parts[None, :]] = -math.inf
    below = np.tril_indices(len(singles), -1)
    order = np.argsort(-scores[below], kind="stable")[:most]
    best: list[_Guess] = []
    for a, b in zip(below[0][order], below[1][order], strict=True):
        if scores[a, b] == -math.inf:
            break
        block = logs[starts[a] : starts[a] + counts[a], starts[b] : starts[b] + counts[b]]
        i, j = divmod(int(np.argmax(block)), int(counts[b]))
        here, there = place[starts[a] + i], place[starts[b] + j]
        best.append(_Guess(int(a), int(b), float(here), float(there)))
    return best


def _added(shifts: Array, healthy: Array, observed: Observed, around: Covariance) -> Array:
    """Log density of the readings where any two of some shifts (n, m) add, (n, n).

    A bound counts where it does not hold, by its squared distance alone: this is but a guess.
    """
    plain = observed.some(np.flatnonzero(observed.signs == 0.0).tolist())
    matrix = around.factor @ around.factor.T
    which = observed.signs == 0.0
    own = around if which.all() else Covariance.of(matrix[np.ix_(which, which)])
    residual = own.whiten(plain.residuals(healthy[which])[None, :])[0]
    moves = own.whiten(shifts[:, which])
    alone = (moves**2).sum(axis=1) - 2.0 * moves @ residual
    squares = residual @ residual + alone[:, None] + alone[None, :] + 2.0 * moves @ moves.T
    squares = np.maximum(squares, 0.0)
    if not which.all():
        # what is expected of a bound is a straight line in the shifts
        rows = np.vstack([np.zeros(len(healthy)), shifts])
        reach = standings(observed, observed.residuals(healthy + rows), matrix[None]).reach
        for first, each in zip(reach[0], (reach[1:] - reach[0]).T, strict=True):
            squares += np.minimum(first + each[:, None] + each[None, :], 0.0) ** 2
    flat = log_student(squares.ravel(), own.log_determinant, len(residual))
    return flat.reshape(squares.shape)


def _simulated(
    guesses: Sequence[_Guess],
    signatures: Signatures,
    observed: Observed,
    weighed: Weighed,
    bench: Bench,
    progress: Stepwise | None,
) -> list[Scored]:
    """Pairs simulated on a small grid of sizes around their guess, the best around theirs."""
    scored_pairs = [_start(guess, weighed) for guess in guesses]
    priors = [pair.log_prior for pair, _ in scored_pairs]
    for step, half in ((2.0 * _STEP, 1), (_STEP, 2)):
        grids = [_grid(pair, centre, step, half) for pair, centre in scored_pairs]
        units = [
            Variant(_faults(pair, *place))
            for (pair, _), grid in zip(scored_pairs, grids, strict=True)
            for place in grid
        ]
        answer = bench.values(
            signatures.stage, units, observed.readings, named(progress, "pairs of faults")
        )
        start = 0
        better: list[tuple[Scored, tuple[float, float]]] = []
        left: list[float] = []
        for (pair, _), prior, grid in zip(scored_pairs, priors, grids, strict=True):
            rows = answer.values[start : start + len(grid)]
            start += len(grid)
            good = ~np.isnan(rows).any(axis=1)
            if good.any():
                again = _scored(
                    pair, prior, np.array(grid)[good], rows[good], observed, weighed, step
                )
                left.append(prior)
                best = again.places[again.best]
                better.append((again, (float(best[0]), float(best[1]))))
        order = sorted(range(len(better)), key=lambda k: -better[k][0].score)[:_FINE_PAIRS]
        scored_pairs, priors = [better[k] for k in order], [left[k] for k in order]
    return [pair for pair, _ in scored_pairs]


def _start(guess: _Guess, weighed: Weighed) -> tuple[Scored, tuple[float, float]]:
    """A pair without sizes, the fault that alone explains more first, and its guessed places."""
    first, second = weighed.scored[guess.a], weighed.scored[guess.b]
    centre = (guess.place_a, guess.place_b)
    if second.score > first.score:
        first, second = second, first
        centre = (guess.place_b, guess.place_a)
    return Scored(
        (first.hypotheses[0], second.hypotheses[0]),
        first.log_prior + second.log_prior + LOG_SECOND, 0.0, np.zeros((0, 2)), np.zeros(0),
        np.zeros((0, 0)), math.inf, 0, weighed.healthy_spread,
    ), centre


def _grid(
    pair: Scored, centre: tuple[float, float], step: float, half: int
) -> list[tuple[float, float]]:
    axes = []
    for hypothesis, middle in zip(pair.hypotheses, centre, strict=True):
        if not hypothesis.mode.sized:
            axes.append([0.0])
            continue
        wanted = middle + step * np.arange(-half, half + 1)
        axes.append(sorted({float(x) for x in np.clip(wanted, 0.0, 1.0)}))
    return [(x, y) for x in axes[0] for y in axes[1]]


def _faults(pair: Scored, place_a: float, place_b: float) -> tuple[Fault, ...]:
    a, b = pair.hypotheses
    return (fault_at(a, float(place_a)), fault_at(b, float(place_b)))


def _scored(
    pair: Scored,
    prior: float,
    places: Array,
    predicted: Array,
    observed: Observed,
    weighed: Weighed,
    step: float,
) -> Scored:
    around = weighed.healthy_spread
    places, predicted, step = _finer(places, predicted, step)
    at = standing(observed, predicted, around)
    density = np.ones(len(places))
    for h, column in zip(pair.hypotheses, places.T, strict=True):
        density *= h.mode.density(column)
    logs = log_likelihood(at) + np.log(density)
    squares, sizes = distances(at)
    nearest = int(squares.argmin())
    whole = log_sum(logs)
    # the grid holds a small part of the sizes that either fault can have
    cell = math.prod(min(step, 1.0) if h.mode.sized else 1.0 for h in pair.hypotheses)
    return replace(
        pair, log_prior=prior + math.log(cell * density.sum()),
        log_evidence=whole - math.log(density.sum()), places=places, weights=np.exp(logs - whole),
        predicted=predicted, square=float(squares[nearest]), size=int(sizes[nearest]),
        spread=around,
    )


def _finer(places: Array, predicted: Array, step: float) -> tuple[Array, Array, float]:
    """Straight lines between the simulated sizes of a full grid; as it is where it has holes."""
    axes = [distinct(places[:, k]) for k in (0, 1)]
    counts = tuple(len(axis) for axis in axes)
    if math.prod(counts) != len(places):
        return places, predicted, step
    table = predicted.reshape(*counts, -1)
    fine = []
    for k, axis in enumerate(axes):
        wanted = axis
        if len(axis) > 1:
            wanted = np.linspace(axis[0], axis[-1], (len(axis) - 1) * _FINER + 1)
            table = _along(table, k, axis, wanted)
        fine.append(wanted)
    grid = np.array([(x, y) for x in fine[0] for y in fine[1]])
    return grid, table.reshape(len(grid), -1), step / _FINER


def _along(table: Array, axis: int, known: Array, wanted: Array) -> Array:
    """Linear interpolation of a (a, b, m) table along one of its first two axes."""
    place = np.clip(np.searchsorted(known, wanted, side="right") - 1, 0, len(known) - 2)
    part = (wanted - known[place]) / (known[place + 1] - known[place])
    shape = [1, 1, 1]
    shape[axis] = len(wanted)
    weight = part.reshape(shape)
    low, high = np.take(table, place, axis=axis), np.take(table, place + 1, axis=axis)
    return np.asarray(low + weight * (high - low))

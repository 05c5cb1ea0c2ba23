"""A fault that stands in no library: how probable it makes a set of readings.

Nobody knows what such a fault does. It may move one reading alone, the readings of one kind, or
all of them, in the directions and by the amounts in which the faults of this stage move them; or
it does roughly what a known fault does. The narrow ways matter: were all thirty readings thought
to move freely at once, thirty dimensions would make it lose against any fault that explains half
of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from circuits.reading import Reading
from diagnose.inference.censored import log_astray, log_likelihood, standing
from diagnose.inference.evidence import Scored, log_sum
from diagnose.inference.likelihood import Array, Covariance, Observed
from diagnose.inference.screen import good_units
from faultlib.signature import Signatures

SIZES = 9
"""Sizes of every fault that tell how faults move the readings."""

BROAD = (0.003, 0.02, 0.06, 0.2, 0.6)
"""Parts of the mean square of the shifts of this stage's faults."""
_KICKS = (10.0, 30.0, 100.0, 300.0)
"""How far a reading moves alone, in standard deviations of what the others leave open about it."""
_OWN = 0.1
"""Share of moves that no modelled fault makes, every reading by itself."""
_MOST = 300.0
"""Standard deviations beyond which it does not matter how far a fault goes."""


def unmodelled(scored: Sequence[Scored], signatures: Signatures, observed: Observed) -> float:
    """Log evidence of a fault that stands in no library.

    Parameters
    ----------
    scored : sequence of Scored
        The modelled faults, with their priors.
    """
    matrix = good_units(signatures, observed)
    healthy = signatures.healthy
    shifts = _shifts(scored, signatures)
    free = [_alone(healthy, matrix, observed), _moved(healthy, matrix, shifts, observed)]
    kinds = _kinds(observed.readings)
    # a bound that a good unit keeps does not tell whether readings of its kind have moved
    telling = (observed.signs == 0.0) | (observed.departures(healthy) != 0.0)
    some = [
        _moved(healthy, matrix, shifts * (kinds == kind), observed)
        for kind in dict.fromkeys(kinds.tolist())
        if 1 < np.count_nonzero((kinds == kind) & telling) < np.count_nonzero(telling)
    ]
    if some:
        free.append(_mean(some))
    if not scored:
        return _mean(free)
    priors = np.array([s.log_prior for s in scored])
    near = log_sum(priors + np.array([s.loose for s in scored])) - log_sum(priors)
    return _mean([_mean(free), near])


def _moved(healthy: Array, matrix: Array, shifts: Array, observed: Observed) -> float:
    """The healthy density stretched along the moves of faults, by amounts nobody knows."""
    noise = np.sqrt(np.diag(matrix))
    shifts = np.clip(shifts, -_MOST * noise, _MOST * noise)
    ways = shifts.T @ shifts / len(shifts)
    ways = (1.0 - _OWN) * ways + _OWN * np.diag(np.diag(ways))
    logs = []
    for part in BROAD:
        around = Covariance.of(matrix + part * ways)
        logs.append(float(log_likelihood(standing(observed, healthy[None, :], around))[0]))
    return _mean(logs)


def _alone(healthy: Array, matrix: Array, observed: Observed) -> float:
    """One reading strays, nobody knows which."""
    at = standing(observed, healthy[None, :], Covariance.of(matrix))
    return _mean([float(log_astray(at, kick)[0]) for kick in _KICKS])


def _kinds(readings: Sequence[Reading]) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    return np.array([r.about.kind for r in readings])


def _mean(logs: Sequence[float]) -> float:
    """Logarithm of the mean of exponentials: each way is as likely as the next."""
    return log_sum(np.array(logs)) - math.log(len(logs))


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

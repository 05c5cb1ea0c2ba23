"""A fault that stands in no library: how probable it makes a set of readings.

Nobody knows what such a fault does. It may move one reading alone, the readings of one kind, or
all of them, in the directions and by the amounts in which the faults of this stage move them; or
it does roughly what a known fault does. The narrow ways matter: were all thirty readings thought
to move freely at once, thirty dimensions would make it lose against any fault that explains half
of them.

Where something in the library explains the readings, a fault of no library that makes the very
same ones is a look-alike of that, and has no part in the ways of its own: else a rare fault that
fits everything would lose to one of which nothing is known.
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


FITS = 0.1
"""Chance of worse readings from which on a single fault, or health, explains them; below it pairs
of faults are looked at. That is the chance by the spread which the ranking allows for, wide on
purpose (unstated values, makes, layout) and with the size fitted to the same readings: of simulated
units whose one fault shows about 1 of 100 lie below, nearly all of them foreign
(``tests/benchmarks/pairs.md``)."""


def unmodelled(
    scored: Sequence[Scored], signatures: Signatures, observed: Observed, fit: float = 0.0,
    whole: float | None = None,
) -> float:
    """Log evidence of a fault that stands in no library.

    Parameters
    ----------
    scored : sequence of Scored
        The modelled faults, with their priors.
    fit : float
        Chance that a unit with the best hypothesis gives readings farther off than these.
    whole : float, optional
        Logarithm of the sum of all priors, where faults were left out that could not matter: what
        does roughly the same as one of the few that are left is as rare as that.
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
    strange = max(1.0 - fit / FITS, 0.0)
    own = _mean(free) + (math.log(strange) if strange else -math.inf)
    if not scored:
        return own
    priors = np.array([s.log_prior for s in scored])
    near = log_sum(priors + np.array([s.loose for s in scored]))
    near -= log_sum(priors) if whole is None else whole
    return _mean([own, near])


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

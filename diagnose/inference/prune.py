"""Cheap readings first: which faults are worth simulating under drive.

Readings at rest are simulated for every fault. Where they already put a fault far behind the best
one, distortion would have to speak for it more strongly than readings under drive ever do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from circuits.stage import Stage
from diagnose.inference.evidence import Scored
from diagnose.inference.likelihood import Array, Observed
from diagnose.inference.posterior import weigh
from diagnose.inference.unmodelled import SIZES
from faultlib.catalogue import Hypothesis
from faultlib.ensemble import Ensemble, scatter
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench, Problem
from faultlib.tolerance import Spread

NATS = 7.0
"""A fault whose odds at rest trail the best one's by more than e⁷ (1000 to 1) is dropped."""
MOST = 32
"""No more faults with degrees than this are simulated under drive; one without costs a simulation,
and counts for nothing here."""


def worth_driving(
    stage: Stage,
    observed: Observed,
    everything: Sequence[Hypothesis],
    log_prior: Callable[[Hypothesis], float],
    bench: Bench,
    progress: Stepwise | None = None,
    around: Sequence[Spread] | None = None,
    drawn: Ensemble | None = None,
) -> tuple[tuple[Hypothesis, ...], Array, str, tuple[Problem, ...]]:
    """Faults that readings under drive could still lift to the top.

    Parameters
    ----------
    observed : Observed
        All readings.
    log_prior : callable
        Natural logarithm of a hypothesis's prior.
    around : sequence of Spread, optional
        What varies between good units; by default everything.
    drawn : Ensemble, optional
        Good units with all readings.

    Returns
    -------
    tuple of Hypothesis, (n, m) array, str, tuple of Problem
        Those kept; readings at rest of those dropped (`Signatures.beside`); a sentence on them,
        empty for none; and what could not be simulated at rest, and so is not among those kept.
    """
    none = np.empty((0, len(observed.readings)))
    rest = [k for k, r in enumerate(observed.readings) if not r.driven]
    if not rest:
        return tuple(everything), none, "", ()
    quiet = observed.some(rest)
    missed = None if drawn is None else partial(scatter, drawn, rest)
    table = signatures(stage, quiet.readings, everything, bench, progress, around, missed)
    priors = [log_prior(s.hypothesis) for s in table.faults]
    scored = weigh(table, quiet, priors, bench, progress).scored
    scores = [s.score for s in scored]
    best = max(scores, default=0.0)
    order = sorted(range(len(scores)), key=lambda k: -scores[k])
    degrees = [not s.hypothesis.mode.all_or_nothing for s in table.faults]
    kept, others = _kept(order, scores, degrees)
    lost = len(scores) - len(kept)
    if not lost:
        return tuple(everything), none, "", ()
    beside = _beside([scored[k] for k in others], rest, len(observed.readings))
    behind = best - scores[others[0]]
    told = (
        f"{lost} of {len(scores)} faults were not simulated under drive: by the other readings "
        f"each is at least {_round(math.exp(min(behind, _TOLD)))} times less likely than the best"
    )
    left = tuple(table.faults[k].hypothesis for k in sorted(kept))
    return left, beside, told, table.problems


def _kept(
    order: Sequence[int], scores: Sequence[float], degrees: Sequence[bool]
) -> tuple[list[int], list[int]]:
    """Which of the faults, in falling order of their scores, are driven, and which are not."""
    kept: list[int] = []
    left: list[int] = []
    room = MOST
    for k in order:
        if scores[k] > scores[order[0]] - NATS and (room > 0 or not degrees[k]):
            kept.append(k)
            room -= degrees[k]
        else:
            left.append(k)
    return kept, left


_TOLD = math.log(1e6)
"""Odds beyond a million are told as a million: what is farther behind means no more to a reader."""


def _beside(dropped: Sequence[Scored], rest: Sequence[int], count: int) -> Array:
    """Readings of faults at some of their sizes, NaN under drive."""
    rows = np.vstack([s.predicted[s.evenly(SIZES)] for s in dropped])
    values = np.full((len(rows), count), np.nan)
    values[:, list(rest)] = rows
    return values


def _round(odds: float) -> str:
    digits = max(0, math.floor(math.log10(odds))) if odds > 1.0 else 0
    return f"{round(odds / 10.0**digits) * 10**digits:,}"

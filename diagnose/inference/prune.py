"""Cheap readings first: which faults, and which of their sizes, are worth simulating under drive.

Readings at rest are simulated for every fault. Where they already put a fault far behind the best
one, distortion would have to speak for it more strongly than readings under drive ever do. So with
sizes: one that takes most of the gain is no matter where the gain was read, and to find a drive
that brings such a unit to its level takes ten times as long as in a good one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
SIZE_NATS = 14.0
"""The same of one size of a fault, which is not dropped but read as the last that counts: twice as
far behind, since spreads are those of the best size (judgement)."""
MOST = 32
"""No more faults with degrees than this are simulated under drive; one without costs a simulation,
and counts for nothing here."""


@dataclass(frozen=True)
class Worth:
    """What readings under drive could still lift to the top.

    Attributes
    ----------
    kept : tuple of Hypothesis
    within : mapping of (part, mode) to (float, float)
        Of those whose sizes do not all count: the least and the largest size that do.
    beside : (n, m) array
        Readings at rest of those dropped (`Signatures.beside`).
    told : str
        A sentence on them, empty for none.
    problems : tuple of Problem
        What could not be simulated at rest, and so is not among those kept.
    """

    kept: tuple[Hypothesis, ...]
    within: Mapping[tuple[str, str], tuple[float, float]]
    beside: Array
    told: str = ""
    problems: tuple[Problem, ...] = ()


def worth_driving(
    stage: Stage,
    observed: Observed,
    everything: Sequence[Hypothesis],
    log_prior: Callable[[Hypothesis], float],
    bench: Bench,
    progress: Stepwise | None = None,
    around: Sequence[Spread] | None = None,
    drawn: Ensemble | None = None,
) -> Worth:
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
    """
    none = np.empty((0, len(observed.readings)))
    rest = [k for k, r in enumerate(observed.readings) if not r.driven]
    if not rest:
        return Worth(tuple(everything), {}, none)
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
    within = _within([scored[k] for k in kept], best - SIZE_NATS)
    if not lost:
        return Worth(tuple(everything), within, none)
    beside = _beside([scored[k] for k in others], rest, len(observed.readings))
    behind = best - scores[others[0]]
    told = (
        f"{lost} of {len(scores)} faults were not simulated under drive: by the other readings "
        f"each is at least {_round(math.exp(min(behind, _TOLD)))} times less likely than the best"
    )
    left = tuple(table.faults[k].hypothesis for k in sorted(kept))
    return Worth(left, within, beside, told, table.problems)


def _within(kept: Sequence[Scored], least: float) -> dict[tuple[str, str], tuple[float, float]]:
    """Sizes of faults outside which none scores as much, ends of the first grid that hold them."""
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for one in kept:
        (hypothesis,) = one.hypotheses
        mode = hypothesis.mode
        with np.errstate(divide="ignore"):
            alive = np.flatnonzero(np.log(one.weights) + one.score >= least)
        if not mode.sized or not alive.size:
            continue
        ends = one.places[alive[[0, -1]], 0]
        sizes = mode.grid(mode.first)
        first = mode.place(sizes)
        low = max(int(np.searchsorted(first, ends[0], side="right")) - 1, 0)
        high = min(int(np.searchsorted(first, ends[1])), len(first) - 1)
        if (low, high) != (0, len(first) - 1):
            a, b = sorted((float(sizes[low]), float(sizes[high])))
            found[hypothesis.part, mode.name] = a, b
    return found


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

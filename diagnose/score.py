"""How right the answers are: random benches with known faults, ranked as any case is.

A bench is drawn from the prior: a fault with its size, good parts within their tolerance, and the
noise of the instruments. Nothing of the draw reaches the ranking but the readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.entry import Measured
from diagnose.likelihood import Array, Observed, tail
from diagnose.posterior import Posterior
from diagnose.rank import infer, usual
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.fault import Fault
from faultlib.signature import Signatures, Stepwise, signatures
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import covariance, draw

DETECTABLE = 0.01
"""A bench whose readings a good unit would give more seldom than this is visibly ill."""


@dataclass(frozen=True)
class Drawn:
    """A random bench: what is wrong with it, and its readings.

    Attributes
    ----------
    fault : Fault or None
        None for a healthy unit.
    values : (m,) array
        On the compared scale, with instrument noise.
    """

    fault: Fault | None
    values: Array


@dataclass(frozen=True)
class Scored:
    """What the ranking said of one random bench.

    Attributes
    ----------
    drawn : Drawn
    detectable : bool
        Whether the readings leave the region that holds 99 % of good units.
    place : int
        Rank of the faulty part among parts, from 1; 0 where it is not named at all.
    healthy : float
        Probability of health.
    first : float
        Probability of the first answer, health and `unmodelled` among them.
    answer : str
        The first answer.
    """

    drawn: Drawn
    detectable: bool
    place: int
    healthy: float
    first: float
    answer: str


def draw_benches(
    stage: Stage,
    readings: Sequence[Reading],
    count: int,
    bench: Bench,
    random: np.random.Generator,
    share_healthy: float = 0.0,
    only: Sequence[Hypothesis] | None = None,
) -> list[Drawn]:
    """Random benches of a stage.

    Parameters
    ----------
    stage : Stage
    readings : sequence of Reading
    count : int
    bench : Bench
    random : numpy.random.Generator
    share_healthy : float
        How many of them have no fault.
    only : sequence of Hypothesis, optional
        Draw from these, by their priors, in place of the whole library.

    Returns
    -------
    list of Drawn
        Fewer than `count` where a drawn unit could not be simulated.
    """
    pool = list(hypotheses(stage) if only is None else only)
    weights = np.array([h.prior for h in pool])
    variants: list[Variant] = []
    for _ in range(count):
        deviations = draw(stage, random)
        if random.uniform() < share_healthy:
            variants.append(Variant((), deviations))
            continue
        chosen = pool[int(random.choice(len(pool), p=weights / weights.sum()))]
        size = float(chosen.mode.size(np.array([random.uniform()]))[0])
        variants.append(Variant((chosen.fault(size),), deviations))
    answer = bench.values(stage, variants, readings)
    made: list[Drawn] = []
    for variant, row in zip(variants, answer.values, strict=True):
        if np.isnan(row).any():
            continue
        noise = random.normal(size=len(row)) * instrument(readings, row)
        made.append(Drawn(variant.faults[0] if variant.faults else None, row + noise))
    return made


def instrument(readings: Sequence[Reading], values: Array) -> Array:
    """Standard uncertainty of a usual bench for readings of these values, compared scale."""
    return np.array([usual(_measured(r, x)) for r, x in zip(readings, values, strict=True)])


def _measured(reading: Reading, x: float) -> Measured:
    return Measured(reading, from_compared(reading, float(x)))


def score(
    stage: Stage,
    readings: Sequence[Reading],
    benches: Sequence[Drawn],
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[Scored]:
    """Rank random benches and hold the answers against what is wrong with them.

    Parameters
    ----------
    stage : Stage
    readings : sequence of Reading
    benches : sequence of Drawn
    bench : Bench
        One that remembers saves much time: many benches ask for the same variants.
    progress : callable, optional
    """
    everything = hypotheses(stage)
    found = signatures(stage, readings, everything, bench, progress)
    priors = [math.log(s.hypothesis.prior) for s in found.faults]
    made: list[Scored] = []
    for k, drawn in enumerate(benches):
        observed = Observed(tuple(readings), drawn.values, instrument(readings, drawn.values),
                            ("",) * len(readings))
        posterior = infer(found, observed, priors, bench)
        made.append(_scored(drawn, found, observed, posterior))
        if progress is not None:
            progress("random benches", k + 1, len(benches))
    return made


def part_probabilities(posterior: Posterior) -> dict[str, float]:
    """Probability of every part, its modes added, by falling probability.

    A pair of faults counts for the part that alone explains more.
    """
    parts: dict[str, float] = {}
    for scored, probability in posterior.suspects:
        part = scored.hypotheses[0].part
        parts[part] = parts.get(part, 0.0) + probability
    return dict(sorted(parts.items(), key=lambda item: -item[1]))


def _scored(
    drawn: Drawn, found: Signatures, observed: Observed, posterior: Posterior
) -> Scored:
    parts = part_probabilities(posterior)
    names = list(parts)
    place = 0
    if drawn.fault is not None and drawn.fault.part in parts:
        place = names.index(drawn.fault.part) + 1
    top = posterior.suspects[0] if posterior.suspects else None
    answers = {"healthy": posterior.healthy, "unmodelled": posterior.unmodelled}
    if top is not None:
        answers[" with ".join(h.label() for h in top[0].hypotheses)] = top[1]
    answer = max(answers, key=lambda name: answers[name])
    return Scored(drawn, detectable(found, observed), place, posterior.healthy,
                  answers[answer], answer)


def detectable(found: Signatures, observed: Observed) -> bool:
    """Whether readings leave the region that holds 99 % of the readings of good units."""
    matrix = covariance(found.sensitivities) + np.diag(observed.bench**2)
    rows = observed.residuals(found.healthy[None, :])
    square = float((np.linalg.solve(np.linalg.cholesky(matrix), rows[0]) ** 2).sum())
    return tail(square, len(observed.readings)) < DETECTABLE

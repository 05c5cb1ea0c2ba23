"""How often two faults at once are found: random aged units with two dry capacitors.

Either is dry in one of three ways: lost capacitance, risen series resistance, or open. Nothing of
the draw reaches the ranking but the readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.infer import with_pairs
from diagnose.inference.likelihood import Array, Observed
from diagnose.inference.posterior import Posterior, share, weigh
from diagnose.studies.foreign_units import aimed, foreign, normal_draw, until_settable
from diagnose.studies.random_benches import (
    RandomBench,
    answered,
    detectable,
    equals,
    instrument,
    log_priors,
    read,
    weighed_with,
)
from faultlib.aside import each_aside
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.fault import Fault
from faultlib.signature import Signatures, Stepwise, named
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import draw

DRY = ("capacitance loss", "high esr", "open")
"""What becomes of an electrolytic capacitor that dries out (common practice)."""
FIRST = 3
"""Answers that a technician tries before anything else."""
_DRAWS = 150
"""Units drawn for one that shows both faults, at most: mild losses hide, so it takes some tens."""


@dataclass(frozen=True)
class Pair:
    """A random unit with two faults.

    Attributes
    ----------
    values : (m,) array
        On the compared scale, with instrument noise.
    alone : (2, m) array
        The same unit with one of the faults alone, read with the same noise.
    """

    faults: tuple[Fault, Fault]
    values: Array
    alone: Array


@dataclass(frozen=True)
class ScoredPair:
    """What the ranking said of one unit with two faults.

    Attributes
    ----------
    line : int
        Which suspect, from 1, names both faults or their electrical equals in the same parts;
        0 for none.
    places : (int, int)
        Rank of either part among parts by the probability that it is faulty; 0 where not named.
    first : bool
        Whether the first answer, health and `unmodelled` among them, names both parts.
    single : float
        Chance of worse readings under the best single fault.
    answer : str
        The first answer.
    """

    pair: Pair
    line: int
    places: tuple[int, int]
    first: bool
    single: float
    answer: str

    @property
    def found(self) -> bool:
        """Whether one of the first three answers is the pair."""
        return 0 < self.line <= FIRST

    @property
    def both(self) -> bool:
        """Whether both parts are among the first three parts."""
        return all(0 < place <= FIRST for place in self.places)


@dataclass(frozen=True)
class Disturbed:
    """Whether pairs were looked at for a unit with one fault, and changed the first answer."""

    looked: bool
    changed: bool


def dry(stage: Stage) -> tuple[Hypothesis, ...]:
    """The ways in which the electrolytic capacitors of a stage dry out."""
    return tuple(h for h in hypotheses(stage) if h.kind == "electrolytic" and h.mode.name in DRY)


def draw_pairs(
    stage: Stage,
    readings: Sequence[Reading],
    count: int,
    bench: Bench,
    random: np.random.Generator,
    unknown: float | None = None,
) -> list[Pair]:
    """Random units with two dry capacitors of which either shows by itself.

    Parameters
    ----------
    count : int
        How many of them; those with a fault that hides among good units are left out, and fewer
        are returned where nearly all are such.
    unknown : float, optional
        Makes the units foreign, as `score.draw_benches` does.

    Returns
    -------
    list of Pair
    """
    good, _ = weighed_with(stage, readings, (), bench)
    drawn_as = stage if unknown is None else aimed(stage, bench)
    pairs: list[Pair] = []
    for _ in range(_DRAWS * count):
        if len(pairs) == count:
            break
        actual = stage if unknown is None else foreign(drawn_as, random, unknown)
        parts = (draw if unknown is None else normal_draw)(actual, random)
        if unknown is not None:
            actual, (parts,) = until_settable(actual, [parts], drawn_as, random, unknown, bench)
        faults = _two(dry(stage), random)
        units = [Variant(some, parts) for some in (faults, faults[:1], faults[1:])]
        noise = random.normal(size=len(readings))
        rows = bench.values(actual, units, readings).values
        if np.isnan(rows).any():
            continue
        both, *alone = (row + noise * instrument(readings, row) for row in rows)
        if all(detectable(good, read(good.readings, row)) for row in alone):
            pairs.append(Pair(faults, both, np.array(alone)))
    return pairs


def _two(pool: Sequence[Hypothesis], random: np.random.Generator) -> tuple[Fault, Fault]:
    """Two faults of different parts, by their priors and at random sizes."""
    weights = np.array([h.prior for h in pool])
    first = _one(pool, weights, random)
    parts = np.array([h.part for h in pool])
    return first, _one(pool, np.where(parts == first.part, 0.0, weights), random)


def _one(pool: Sequence[Hypothesis], weights: Array, random: np.random.Generator) -> Fault:
    chosen = pool[int(random.choice(len(pool), p=weights / weights.sum()))]
    return chosen.drawn(random.uniform())


def score_pairs(
    stage: Stage,
    readings: Sequence[Reading],
    pairs: Sequence[Pair],
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[ScoredPair]:
    """Rank units with two faults as any case is, and see whether both are named."""
    table, _ = weighed_with(stage, readings, hypotheses(stage), bench, progress)
    return each_aside(bench, _ranked, table, pairs, named(progress, "units with two faults"))


def _ranked(table: Signatures, bench: Bench, pair: Pair) -> ScoredPair:
    """One unit ranked and held against what is wrong with it."""
    observed = read(table.readings, pair.values)
    weighed = weigh(table, observed, log_priors(table), bench)
    posterior = with_pairs(table, observed, weighed, bench)
    return _scored(pair, table, observed, posterior, weighed.fit())


def disturbed(
    stage: Stage, readings: Sequence[Reading], benches: Sequence[RandomBench], bench: Bench
) -> list[Disturbed]:
    """What the look at pairs makes of units with one fault.

    Parameters
    ----------
    benches : sequence of RandomBench
        With one fault, or none.
    """
    table, _ = weighed_with(stage, readings, hypotheses(stage), bench)
    return each_aside(bench, _looked_at, table, benches)


def _looked_at(table: Signatures, bench: Bench, drawn: RandomBench) -> Disturbed:
    """What the look at pairs makes of one unit."""
    observed = read(table.readings, drawn.values)
    weighed = weigh(table, observed, log_priors(table), bench)
    after = with_pairs(table, observed, weighed, bench)
    return Disturbed(
        any(len(s.hypotheses) > 1 for s, _ in after.suspects),
        _first(share(weighed)) != _first(after),
    )


def _first(posterior: Posterior) -> frozenset[str]:
    """Parts that the first answer names; a word for health and `unmodelled`."""
    answer, _ = answered(posterior)
    return frozenset(label.partition(" ")[0] for label in answer.split(" with "))


def _scored(
    pair: Pair, found: Signatures, observed: Observed, posterior: Posterior, single: float
) -> ScoredPair:
    parts = frozenset(f.part for f in pair.faults)
    alike = [
        {f.label()} | {name for name in equals(f, found, observed) if _part(name) == f.part}
        for f in pair.faults
    ]
    line = 0
    faulty: dict[str, float] = {}
    for k, (scored, probability) in enumerate(posterior.suspects, 1):
        for h in scored.hypotheses:
            faulty[h.part] = faulty.get(h.part, 0.0) + probability
        if frozenset(h.part for h in scored.hypotheses) != parts:
            continue
        if all(any(h.label() in names for h in scored.hypotheses) for names in alike):
            line = line or k
    order = sorted(faulty, key=lambda name: -faulty[name])
    a, b = (order.index(f.part) + 1 if f.part in faulty else 0 for f in pair.faults)
    return ScoredPair(
        pair, line, (a, b), _first(posterior) == parts, single, answered(posterior)[0]
    )


def _part(label: str) -> str:
    return label.partition(" ")[0]

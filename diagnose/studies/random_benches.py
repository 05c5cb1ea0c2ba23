"""How right the answers are: random benches with known faults, ranked as any case is.

A bench is drawn from the prior: a fault with its size, good parts within their tolerance, and the
noise of the instruments. Nothing of the draw reaches the ranking but the readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from circuits.reading import Reading, softened
from circuits.reading import instrument as of_one
from circuits.stage import Stage
from diagnose.inference.censored import distances, standing
from diagnose.inference.channels import TwoChannels, common_spreads, doubted, side_by_side
from diagnose.inference.groups import NEAR, grouped
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Array, Covariance, Observed, slipping, spread, tail
from diagnose.inference.posterior import PRIOR_HEALTHY, PRIOR_UNMODELLED, Posterior
from diagnose.inference.screen import good_units
from diagnose.studies.foreign_units import aimed, foreign, normal_draw, until_settable
from faultlib.aside import each_aside
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.ensemble import ensemble, floors, scatter
from faultlib.fault import Fault
from faultlib.signature import Signatures, Stepwise, named, signatures
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import draw
from faultlib.watched import watched

DETECTABLE = 0.01
"""A bench whose readings a good unit would give more seldom than this is visibly ill."""
HEALTHY = PRIOR_HEALTHY / (1.0 - PRIOR_UNMODELLED)
"""Share of good units among random benches: the ranking's own prior, without which probabilities
cannot be held against how often they come true."""
_FINE = 129
"""Sizes of another fault that are tried to find the one most alike."""


@dataclass(frozen=True)
class RandomBench:
    """A random bench: what is wrong with it, and its readings.

    Attributes
    ----------
    fault : Fault or None
        None for a healthy unit.
    values : (m,) array
        On the compared scale, with instrument noise.
    reference : (m,) array
        The same readings of a good channel of the same unit.
    """

    fault: Fault | None
    values: Array
    reference: Array


@dataclass(frozen=True)
class BenchScore:
    """What the ranking said of one random bench.

    Attributes
    ----------
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
    group : bool
        Whether the first group holds the fault itself.
    inside : bool or None
        Whether the fault's size lies in its 90 % interval; None where it has none.
    removed : bool or None
        With the fault's mode taken out of the library: whether the first answer is `unmodelled`
        or the part of an electrical equal of the fault (`equals`). None where that was not tried.
    """

    drawn: RandomBench
    detectable: bool
    place: int
    healthy: float
    first: float
    answer: str
    group: bool = False
    inside: bool | None = None
    removed: bool | None = None

    @property
    def truth(self) -> str:
        """What is wrong with the bench, in the words of an answer."""
        return "healthy" if self.drawn.fault is None else self.drawn.fault.label()

    @property
    def right(self) -> bool:
        """Whether the first answer names the part, or health."""
        return self.answer.partition(" ")[0] == self.truth.partition(" ")[0]


def draw_benches(
    stage: Stage,
    readings: Sequence[Reading],
    count: int,
    bench: Bench,
    random: np.random.Generator,
    share_healthy: float = HEALTHY,
    only: Sequence[Hypothesis] | None = None,
    unknown: float | None = None,
) -> list[RandomBench]:
    """Random benches of a stage.

    Parameters
    ----------
    count : int
        Benches wanted.
    share_healthy : float
        How many of them have no fault.
    only : sequence of Hypothesis, optional
        Draw from these, by their priors, in place of the whole library.
    unknown : float, optional
        Makes the units foreign (`diagnose.studies.foreign_units`): how far their nominal values lie
        from the stage file's. None draws units that the stage file describes.

    Returns
    -------
    list of RandomBench
        Fewer than `count` where a drawn unit could not be simulated. Each has the readings of a
        good channel of the same unit beside its own.
    """
    pool = list(hypotheses(stage) if only is None else only)
    weights = np.array([h.prior for h in pool])
    units: list[tuple[Stage, Variant, Variant]] = []
    drawn_as = stage if unknown is None else aimed(stage, bench)
    for _ in range(count):
        actual = drawn_as if unknown is None else foreign(drawn_as, random, unknown)
        lot = draw if unknown is None else normal_draw
        fault = None
        if random.uniform() >= share_healthy:
            chosen = pool[int(random.choice(len(pool), p=weights / weights.sum()))]
            fault = chosen.drawn(random.uniform())
        faults = () if fault is None else (fault,)
        both = [lot(actual, random), lot(actual, random)]
        if unknown is not None:
            actual, both = until_settable(actual, both, drawn_as, random, unknown, bench)
        units.append((actual, Variant(faults, both[0]), Variant((), both[1])))
    benches: list[RandomBench] = []
    for actual, group in _by_stage(units):
        answer = bench.values(actual, [v for pair in group for v in pair], readings)
        for k, (ill, _) in enumerate(group):
            row, good = answer.values[2 * k], answer.values[2 * k + 1]
            if np.isnan(row).any() or np.isnan(good).any():
                continue
            noisy = [r + random.normal(size=len(r)) * instrument(readings, r) for r in (row, good)]
            benches.append(RandomBench(ill.faults[0] if ill.faults else None, noisy[0], noisy[1]))
    return benches


def _by_stage(
    units: Sequence[tuple[Stage, Variant, Variant]],
) -> list[tuple[Stage, list[tuple[Variant, Variant]]]]:
    by_stage: list[tuple[Stage, list[tuple[Variant, Variant]]]] = []
    for actual, ill, good in units:
        if not by_stage or by_stage[-1][0] is not actual:
            by_stage.append((actual, []))
        by_stage[-1][1].append((ill, good))
    return by_stage


def instrument(readings: Sequence[Reading], values: Array) -> Array:
    """Standard uncertainty of a usual bench for readings of these values, compared scale."""
    return np.array([float(of_one(r, x)) for r, x in zip(readings, values, strict=True)])


def score(
    stage: Stage,
    readings: Sequence[Reading],
    benches: Sequence[RandomBench],
    bench: Bench,
    progress: Stepwise | None = None,
    reference: bool = False,
    only: Sequence[Hypothesis] | None = None,
    every: int = 4,
) -> list[BenchScore]:
    """Rank random benches and hold the answers against what is wrong with them.

    Parameters
    ----------
    bench : Bench
        The workers of a laboratory share the units out (`faultlib.aside`); of any other bench, one
        that remembers saves much time.
    reference : bool
        Rank with the good channel beside (no shared supply).
    only : sequence of Hypothesis, optional
        The hypotheses that compete, in place of the whole library.
    every : int
        Every so many benches are ranked once more with the fault's mode taken out.

    Returns
    -------
    list of BenchScore
        Fewer than there are benches where time was over: a bench that was ranked in part counts
        for nothing.
    """
    watch = watched(bench)
    everything = hypotheses(stage) if only is None else only
    table, _ = weighed_with(stage, readings, everything, watch, progress, reference)
    return each_aside(watch, _ranked, _With(table, reference, every), list(enumerate(benches)),
                      named(progress, "random units"))


@dataclass(frozen=True)
class _With:
    """What all units of a score are ranked with."""

    table: Signatures
    reference: bool
    every: int


def _ranked(given: _With, bench: Bench, numbered: tuple[int, RandomBench]) -> BenchScore:
    """One unit, by its number, ranked and held against what is wrong with it."""
    k, drawn = numbered
    table, few = given.table, len(drawn.values)
    observed = read(table.readings[:few], drawn.values)
    if given.reference:
        bench = TwoChannels(bench, (), few)
        observed = side_by_side(observed, read(table.readings[few:], drawn.reference))
    posterior = infer(table, observed, log_priors(table), bench)
    one = _scored(drawn, table, observed, posterior)
    if one.detectable and drawn.fault is not None and k % given.every == 0:
        one = replace(one, removed=_removed(drawn.fault, table, observed, bench))
    return one


def log_priors(table: Signatures) -> list[float]:
    """Of every signature."""
    return [math.log(s.hypothesis.prior) for s in table.faults]


def weighed_with(
    stage: Stage,
    readings: Sequence[Reading],
    faults: Sequence[Hypothesis],
    bench: Bench,
    progress: Stepwise | None = None,
    reference: bool = False,
) -> tuple[Signatures, Bench]:
    """What random units are ranked with, as a sheet is: good units drawn, and every fault.

    A null of the unit as drawn is not one of those on the bench, and lines miss what good units do.

    Parameters
    ----------
    readings : sequence of m Reading
        Of one channel.
    reference : bool
        Whether a good channel stands beside (no shared supply): readings are then 2m.

    Returns
    -------
    Signatures, Bench
        Its readings know what lies beside a level (`faultlib.ensemble.floors`); and where further
        units of this kind are read.
    """
    asked, around = tuple(readings), doubted(stage)
    if reference:
        bench = TwoChannels(bench, (), len(asked))
        around = common_spreads(stage, ())
        asked = asked + tuple(replace(r, channel=1) for r in asked)
    good = ensemble(stage, asked, around, bench, named(progress, "good units"))
    table = signatures(stage, floors(good), faults, bench, progress, around,
                       partial(scatter, good, range(len(asked))))
    return table, bench


def _removed(
    fault: Fault, found: Signatures, observed: Observed, bench: Bench
) -> bool:
    """Whether the answer without the fault's mode is `unmodelled` or its equal's part."""
    left = tuple(s for s in found.faults if s.hypothesis.label() != fault.label())
    rest = replace(found, faults=left)
    again = infer(rest, observed, log_priors(rest), bench)
    answer, _ = answered(again)
    parts = {name.partition(" ")[0] for name in equals(fault, found, observed)}
    return answer == "unmodelled" or answer.partition(" ")[0] in parts


def equals(fault: Fault, found: Signatures, observed: Observed) -> frozenset[str]:
    """Labels of the other faults that these readings cannot tell from one; at least the nearest.

    Judged by what is simulated and how good units spread, not by any ranking.

    Parameters
    ----------
    observed : Observed
        For the uncertainty of its readings.
    """
    around = Covariance.of(good_units(found, observed))
    true = next((s for s in found.faults if s.hypothesis.label() == fault.label()), None)
    if true is None:  # not simulated in the stage as drawn, so nothing is known to be its equal
        return frozenset()
    place = true.at(np.array([fault.size]))
    apart: dict[str, float] = {}
    for other in found.faults:
        if other is not true:
            mode = other.hypothesis.mode
            sizes = mode.size(np.linspace(0.0, 1.0, _FINE)) if mode.sized else other.sizes
            apart[other.hypothesis.label()] = float(around.squares(other.at(sizes) - place).min())
    nearest = min(apart.values(), default=0.0)
    return frozenset(name for name, square in apart.items() if square <= max(nearest, 8.0 * NEAR))


def read(readings: Sequence[Reading], values: Array) -> Observed:
    """Readings of a drawn unit as a usual bench takes them.

    Parameters
    ----------
    readings : sequence of m Reading
        Those of what it is weighed with (`weighed_with`).
    values : (m,) array
        On the compared scale, drawn without what lies beside a level.
    """
    values = np.array([float(softened(r, x)) for r, x in zip(readings, values, strict=True)])
    bench = instrument(readings, values)
    return Observed(tuple(readings), values, bench, ("",) * len(readings),
                    slips=slipping(readings, values, bench))


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
    drawn: RandomBench, found: Signatures, observed: Observed, posterior: Posterior
) -> BenchScore:
    parts = part_probabilities(posterior)
    fault = drawn.fault
    names = list(parts)
    place = names.index(fault.part) + 1 if fault is not None and fault.part in parts else 0
    answer, first = answered(posterior)
    return BenchScore(
        drawn, detectable(found, observed), place, posterior.healthy, first, answer,
        fault is not None and fault.label() in look_alikes(posterior),
        None if fault is None else _inside(fault, posterior),
    )


def answered(posterior: Posterior) -> tuple[str, float]:
    """The first answer and its probability; a part's modes count as one answer."""
    answers = {"healthy": posterior.healthy, "unmodelled": posterior.unmodelled}
    best: dict[str, str] = {}
    for scored, probability in posterior.suspects:
        part = scored.hypotheses[0].part
        label = best.setdefault(part, " with ".join(h.label() for h in scored.hypotheses))
        answers[label] = answers.get(label, 0.0) + probability
    answer = max(answers, key=lambda name: answers[name])
    return answer, answers[answer]


def look_alikes(posterior: Posterior) -> frozenset[str]:
    """The first group of suspects, by their labels."""
    live = [s for s in posterior.suspects if s[1] > 0.01][:12]
    return frozenset(
        m.scored.hypotheses[0].label() for m in grouped(live) if m.group == 1
    )


def _inside(fault: Fault, posterior: Posterior) -> bool | None:
    for scored, _ in posterior.suspects:
        (*others, last) = scored.hypotheses
        if not others and last.label() == fault.label() and last.mode.sized and scored.exact:
            place = float(last.mode.place(np.array([fault.size]))[0])
            _, low, high = scored.interval(0)
            return low <= place <= high
    return None


def detectable(found: Signatures, observed: Observed) -> bool:
    """Whether readings leave the region that holds 99 % of the readings of good units."""
    around = spread(observed, found.strays, found.healthy)
    squares, sizes = distances(standing(observed, found.healthy[None, :], around))
    return tail(float(squares[0]), int(sizes[0])) < DETECTABLE

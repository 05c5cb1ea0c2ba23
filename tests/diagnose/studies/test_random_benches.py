"""The score harness on a linear unit, where what the scores must be is known beforehand.

Samples are held against limits of the binomial and chi-square distributions.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.channels import doubted
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Observed, spread
from diagnose.inference.pairs import POOR_FIT
from diagnose.inference.posterior import PRIOR_HEALTHY
from diagnose.studies.random_benches import (
    DETECTABLE,
    BenchScore,
    RandomBench,
    answered,
    detectable,
    draw_benches,
    equals,
    instrument,
    score,
)
from faultlib.signature import Signatures, signatures
from faultlib.simulate import Answer, Bench, Laboratory, Progress
from faultlib.store import Memory
from tests.diagnose.fake_bench import Array, LinearUnit, currents

DATA = Path(__file__).parents[2] / "data"
BENCHES = 120
READINGS = 6


def unit(seed: int = 1) -> LinearUnit:
    """Three capacitors that move six supply currents in ways that differ."""
    return LinearUnit(np.random.default_rng(seed).normal(size=(READINGS, 3)), currents(READINGS),
                      0.05)


def benches(
    made: LinearUnit, count: int = BENCHES, share_healthy: float = PRIOR_HEALTHY
) -> list[RandomBench]:
    return draw_benches(made.stage, made.readings, count, made.bench(),
                        np.random.default_rng(5), share_healthy, made.losses())


@cache
def ranked() -> list[BenchScore]:
    """Benches drawn from the prior, each fault's mode taken out once more."""
    made = unit()
    return score(made.stage, made.readings, benches(made), made.bench(), only=made.losses(),
                 every=1)


def test_benches_are_drawn_from_the_prior() -> None:
    """A quarter healthy, the rest by their priors; mild losses six times as often as dead parts.

    The density falls from 6 to 1 along the mode's scale, so that its integral is (6p - 5p²/2)/3.5.
    """
    made = unit()
    drawn = benches(made, 600)
    assert len(drawn) == 600
    healthy = sum(d.fault is None for d in drawn)
    low, high = stats.binom.interval(0.999, 600, PRIOR_HEALTHY)
    assert low <= healthy <= high
    (mode,) = {h.mode.name: h.mode for h in made.losses()}.values()
    places = [float(mode.place(np.array([d.fault.size]))[0]) for d in drawn if d.fault is not None]
    assert stats.kstest(places, lambda p: (6.0 * p - 2.5 * p**2) / 3.5).pvalue > 0.001
    parts = [d.fault.part for d in drawn if d.fault is not None]
    counts = [parts.count(f"C{k}") for k in (1, 2, 3)]
    assert stats.chisquare(counts).pvalue > 0.001  # three capacitors of one kind fail alike


def test_the_noise_of_a_bench_is_that_of_its_instruments() -> None:
    """Good units without tolerance: what is left is the noise, with its stated deviation."""
    made = LinearUnit(np.zeros((READINGS, 1)), currents(READINGS), 0.05)
    rows = np.array([d.values for d in benches(made, 300, 1.0)])
    sigma = instrument(made.readings, made.healthy())
    low, high = stats.chi2.interval(0.999, rows.size)
    assert low < float(((rows / sigma) ** 2).sum()) < high


def test_the_other_channel_is_good_and_another_unit() -> None:
    made = LinearUnit(np.eye(READINGS)[:, :3] * 10.0, currents(READINGS), 0.001)
    for drawn in benches(made, 20, 0.0):
        assert drawn.fault is not None
        sigma = instrument(made.readings, made.healthy())
        assert np.all(np.abs(drawn.reference) < 6.0 * sigma + 0.1)
        assert np.any(np.abs(drawn.values) > 1.0)


def test_the_same_seed_draws_the_same_benches() -> None:
    made = unit()
    again = zip(benches(made, 10), benches(made, 10), strict=True)
    assert all(a.fault == b.fault and np.array_equal(a.values, b.values) for a, b in again)


# -- what shows ------------------------------------------------------------------------------------


def plain(made: LinearUnit) -> Signatures:
    return signatures(made.stage, made.readings, (), made.bench(), None, doubted(made.stage))


def observed(made: LinearUnit, values: Array) -> Observed:
    return Observed(made.readings, values, instrument(made.readings, values),
                    ("",) * len(values))


def test_one_good_unit_in_a_hundred_shows() -> None:
    """Readings drawn from the spread of good units: d² follows χ², so 1 % lie outside."""
    made = unit()
    found = plain(made)
    around = spread(observed(made, made.healthy()), found.sensitivities, made.healthy())
    rows = np.random.default_rng(2).normal(size=(2000, READINGS)) @ around.factor.T
    outside = sum(detectable(found, observed(made, row)) for row in rows)
    low, high = stats.binom.interval(0.999, 2000, DETECTABLE)
    assert low <= outside <= high


def test_a_fault_shows_from_the_chi_square_limit_on() -> None:
    made = unit()
    found = plain(made)
    around = spread(observed(made, made.healthy()), found.sensitivities, made.healthy())
    limit = math.sqrt(stats.chi2.isf(DETECTABLE, READINGS))
    for scale, shows in ((0.99, False), (1.01, True)):
        row = scale * limit * around.factor[:, 0]  # one unit of the spread by its factor
        assert detectable(found, observed(made, row)) is shows


# -- what is scored --------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_fault_that_shows_is_named() -> None:
    seen = [s for s in ranked() if s.detectable and s.drawn.fault is not None]
    assert len(seen) > BENCHES // 3
    assert sum(s.place == 1 for s in seen) >= stats.binom.ppf(0.001, len(seen), 0.95)
    for s in seen:
        assert s.right is (s.answer.split()[0] == s.truth.split()[0])


@pytest.mark.slow
def test_intervals_of_90_percent_hold_at_least_that_many() -> None:
    """The benches have no error of the stage model, which the ranking allows for: so no fewer."""
    held = [s.inside for s in ranked() if s.inside is not None]
    assert len(held) > BENCHES // 2
    assert sum(held) >= stats.binom.ppf(0.001, len(held), 0.9)


@pytest.mark.slow
def test_the_largest_probability_does_not_promise_too_much() -> None:
    """Right answers are a sum of trials with these chances (Poisson binomial), to 3.3 σ below."""
    chances = np.array([s.first for s in ranked()])
    sigma = math.sqrt(float((chances * (1.0 - chances)).sum()))
    assert sum(s.right for s in ranked()) >= float(chances.sum()) - 3.3 * sigma


@pytest.mark.slow
def test_healthy_benches_are_called_healthy() -> None:
    good = [s for s in ranked() if s.drawn.fault is None]
    assert sum(s.answer == "healthy" for s in good) >= stats.binom.ppf(0.001, len(good), 0.95)


def test_without_its_mode_no_other_part_is_blamed_and_the_misfit_is_told() -> None:
    """No two of the three capacitors move the currents alike: nothing else explains a clear one.

    Of what is then left to say, `fit` below its limit is what the user is told.
    """
    made = unit(7)
    drawn = benches(made, 30, 0.0)
    found = signatures(made.stage, made.readings, made.losses(), made.bench(), None,
                       doubted(made.stage))
    for one in drawn:
        assert one.fault is not None
        left = tuple(s for s in found.faults if s.hypothesis.label() != one.fault.label())
        posterior = infer(replace(found, faults=left), observed(made, one.values),
                          [0.0] * len(left), made.bench())
        assert posterior.fit < POOR_FIT
        assert answered(posterior)[0] in ("unmodelled", "healthy")


def test_without_its_mode_a_fault_may_be_called_by_a_look_alike() -> None:
    """Two capacitors side by side: without the one, the other is named, and rightly counted."""
    column = np.random.default_rng(3).normal(size=(READINGS, 1)) * 3.0
    made = LinearUnit(np.hstack([column, column]), currents(READINGS), 0.05)
    scored = score(made.stage, made.readings, benches(made, 20, 0.0), made.bench(),
                   only=made.losses(), every=1)
    tried = [s for s in scored if s.removed is not None]
    assert len(tried) > 10
    assert all(s.removed for s in tried)
    assert all(s.group for s in tried)


def test_only_some_are_tried_without_their_mode() -> None:
    made = unit()
    drawn = benches(made, 12, 0.0)
    every = score(made.stage, made.readings, drawn, made.bench(), only=made.losses(), every=4)
    assert all(s.removed is None for k, s in enumerate(every) if k % 4)
    assert [s.removed is not None for s in every[::4]] == [s.detectable for s in every[::4]]


@pytest.mark.slow
def test_a_channel_beside_tells_what_the_stage_file_has_wrong() -> None:
    """Foreign units, 20 % off in every value: the good channel finds what the file alone cannot."""
    made = unit(4)
    drawn = draw_benches(made.stage, made.readings, 60, made.bench(), np.random.default_rng(6),
                         0.0, made.losses(), unknown=0.3)
    alone, beside = (
        score(made.stage, made.readings, drawn, made.bench(), reference=r, only=made.losses(),
              every=10**6)
        for r in (False, True)
    )
    assert sum(s.right for s in beside) > sum(s.right for s in alone)


@pytest.mark.parametrize("only", [1, 2])
def test_what_competes_may_be_narrowed_down(only: int) -> None:
    made = unit()
    chosen = made.losses()[:only]
    drawn = draw_benches(made.stage, made.readings, 8, made.bench(), np.random.default_rng(0),
                         0.0, chosen)
    scored = score(made.stage, made.readings, drawn, made.bench(), only=chosen, every=10**6)
    allowed = {h.part for h in chosen} | {"healthy", "unmodelled"}
    assert {s.answer.split()[0] for s in scored} <= allowed


def test_an_electrical_equal_is_what_moves_the_readings_alike() -> None:
    """C1 and C2 move them in proportion, C3 another way: a loss of C1 is one of C2."""
    moves = np.array([[2.0, 1.0, 0.0], [4.0, 2.0, 0.0], [-2.0, -1.0, 3.0], [0.0, 0.0, 3.0]])
    made = LinearUnit(moves, currents(4), 0.05)
    found = signatures(made.stage, made.readings, made.losses(), made.bench(), None,
                       doubted(made.stage))
    lost = made.losses()[0].fault(0.5)
    seen = observed(made, made.shift(0, 0.3))
    assert equals(lost, found, seen) == {"C2 capacitance loss"}
    # where nothing is alike the nearest counts, and it alone
    alone = made.losses()[2].fault(0.1)
    assert len(equals(alone, found, observed(made, made.shift(2, 0.5)))) == 1


# -- shared out ------------------------------------------------------------------------------------


class Counted:
    """A laboratory's bench behind something else: no workers are seen through it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def values(self, stage: Stage, variants: Any, readings: Any,
               progress: Progress | None = None) -> Answer:
        return self.bench.values(stage, variants, readings, progress)


@pytest.mark.slow
def test_random_units_are_ranked_the_same_by_one_worker_and_by_two() -> None:
    """To the last digit; and but for rounding as by one process that remembers everything."""
    stage = load_stage(DATA / "coupling.yaml")
    readings = tuple(Reading("gain", frequency=f) for f in (10.0, 20.0, 1e3))
    with Laboratory(Memory(), 0) as bench:
        drawn = draw_benches(stage, readings, 10, bench, np.random.default_rng(2), unknown=0.05)
        plain = score(stage, readings, drawn, Counted(bench), every=2)
    found = []
    for count in (1, 2):
        with Laboratory(Memory(), count) as bench:
            found.append(score(stage, readings, drawn, bench, every=2))
    told = [[(s.first.hex(), s.healthy.hex(), s.answer, s.removed) for s in some] for some in found]
    assert told[0] == told[1]
    assert len(plain) == len(found[0]) == 10
    for one, other in zip(plain, found[0], strict=True):
        assert (one.answer, one.place, one.removed) == (other.answer, other.place, other.removed)
        assert one.first == pytest.approx(other.first, rel=1e-6)

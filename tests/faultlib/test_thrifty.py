"""Costly readings of good parts by straight lines: which simulations are spared, and what is lost.

On the linear unit straight lines are exact, so the sparing must change nothing at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest

from circuits.errors import NoSolution
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.simulate import Answer, Bench, Progress, Variant
from faultlib.thrifty import Thrifty
from faultlib.tolerance import Spread
from tests.diagnose.fake_bench import FARADS, FakeBench, LinearUnit, Rule

DRIVEN = tuple(Reading("thd", frequency=f, level=("output level", 1.0)) for f in (100.0, 1e3))
AT_REST = (Reading("gain", frequency=1e3), Reading("supply current", rail="v0"))
MIXED = (DRIVEN[0], AT_REST[0], DRIVEN[1], AT_REST[1])
"""Costly and cheap by turns, so that columns that are mixed up show."""
UNIT = LinearUnit(np.random.default_rng(3).normal(size=(4, 3)), MIXED)
SPREADS = tuple(Spread(f"C{k}", "value", 0.1 * k) for k in (1, 2, 3))


@dataclass
class Counting:
    """A bench that remembers what it was asked for, by whether it is read under drive."""

    bench: Bench
    driven: list[Variant] = field(default_factory=list)
    at_rest: list[Variant] = field(default_factory=list)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        asked = self.driven if any(r.driven for r in readings) else self.at_rest
        asked.extend(variants)
        return self.bench.values(stage, variants, readings, progress)


def faulty(size: float = 0.5, part: str = "C1") -> tuple[Fault, ...]:
    return (Fault(part, "capacitance loss", size),)


def units() -> list[Variant]:
    """Three faults with every good part moved in turn, as sensitivities are asked for."""
    ill = [faulty(0.5), faulty(0.1), faulty(0.3, "C2")]
    return [Variant(), *(Variant(f, ((s, z),) if z else ())
                         for f in ill for s in SPREADS for z in (0.0, 1.0))]


def test_straight_lines_are_exact_where_readings_are() -> None:
    plain = UNIT.bench().values(UNIT.stage, units(), MIXED).values
    thrifty = Thrifty(UNIT.bench()).values(UNIT.stage, units(), MIXED).values
    np.testing.assert_allclose(thrifty, plain, atol=1e-12)


def test_deviations_of_several_parts_add() -> None:
    moved = Variant(faulty(), tuple((s, z) for s, z in zip(SPREADS, (0.5, -2.0, 1.5), strict=True)))
    plain = UNIT.bench().values(UNIT.stage, [moved], MIXED).values
    thrifty = Thrifty(UNIT.bench()).values(UNIT.stage, [moved], MIXED).values
    np.testing.assert_allclose(thrifty, plain, atol=1e-12)


def test_under_drive_good_parts_are_moved_on_the_healthy_unit_only() -> None:
    """F faults and p good parts: f + p + 1 costly simulations in place of f · (p + 1) and more."""
    inner = Counting(UNIT.bench())
    Thrifty(inner).values(UNIT.stage, units(), MIXED)
    assert len(inner.driven) == len(set(inner.driven)) == 3 + 3 + 1
    assert not any(v.faults and v.deviations for v in inner.driven)
    assert inner.at_rest == units()


def test_without_costly_readings_nothing_is_spared() -> None:
    inner = Counting(UNIT.bench())
    Thrifty(inner).values(UNIT.stage, units(), AT_REST)
    assert inner.at_rest == units()
    assert inner.driven == []


def test_without_cheap_readings_no_cheap_run_is_made() -> None:
    inner = Counting(UNIT.bench())
    answer = Thrifty(inner).values(UNIT.stage, units(), DRIVEN)
    assert inner.at_rest == []
    assert answer.values.shape == (len(units()), 2)


def test_where_nothing_is_moved_the_healthy_unit_is_not_asked_for() -> None:
    inner = Counting(UNIT.bench())
    Thrifty(inner).values(UNIT.stage, [Variant(faulty())], DRIVEN)
    assert inner.driven == [Variant(faulty())]


def test_beyond_what_counts_a_fault_reads_under_drive_as_at_its_last_size() -> None:
    inner = Counting(UNIT.bench())
    sizes = (0.01, 0.1, 0.5, 0.9)
    asked = [Variant(faulty(size)) for size in sizes]
    made = Thrifty(inner, {("C1", "capacitance loss"): (0.1, 0.5)})
    found = made.values(UNIT.stage, asked, MIXED).values
    whole = UNIT.bench().values(UNIT.stage, asked, MIXED).values
    np.testing.assert_array_equal(found[:, [1, 3]], whole[:, [1, 3]])
    np.testing.assert_array_equal(found[:, [0, 2]], whole[[1, 1, 2, 2]][:, [0, 2]])
    assert inner.driven == [Variant(faulty(0.1)), Variant(faulty(0.5))]


def test_two_faults_at_once_and_other_faults_are_driven_at_their_own_sizes() -> None:
    inner = Counting(UNIT.bench())
    asked = [Variant((*faulty(0.9), *faulty(0.9, "C2"))), Variant(faulty(0.9, "C3"))]
    Thrifty(inner, {("C1", "capacitance loss"): (0.1, 0.5)}).values(UNIT.stage, asked, DRIVEN)
    assert inner.driven == asked


def test_no_variants_have_no_rows() -> None:
    """As where no hypothesis has to be scored again."""
    for readings in (MIXED, DRIVEN, AT_REST):
        answer = Thrifty(UNIT.bench()).values(UNIT.stage, [], readings)
        assert answer.values.shape == (0, len(readings))
        assert answer.problems == ()


def bent(made: Stage, reading: Reading) -> float:
    """The square of what the linear unit reads."""
    return UNIT.rule(made, reading) ** 2


def test_readings_at_rest_keep_their_bends() -> None:
    plain = FakeBench(bent).values(UNIT.stage, units(), MIXED).values
    thrifty = Thrifty(FakeBench(bent)).values(UNIT.stage, units(), MIXED).values
    np.testing.assert_array_equal(thrifty[:, [1, 3]], plain[:, [1, 3]])


def test_a_bend_under_drive_is_lost_and_no_more_than_that() -> None:
    """(a + b)² = a² + 2ab + b²: the healthy unit gives b² and the faulty one a²; 2ab is lost."""
    moved = Variant(faulty(), ((SPREADS[0], 1.0),))
    parts = [Variant(faulty()), Variant((), ((SPREADS[0], 1.0),))]
    a, b = UNIT.bench().values(UNIT.stage, parts, DRIVEN).values
    (row,) = Thrifty(FakeBench(bent)).values(UNIT.stage, [moved], DRIVEN).values
    np.testing.assert_allclose(row, a**2 + b**2, atol=1e-12)


def stuck(where: str) -> Rule:
    """A unit that has no solution with one capacitor at exactly half."""

    def rule(made: Stage, reading: Reading) -> float:
        if made.part(where).value == pytest.approx(0.5 * FARADS):
            raise NoSolution("no operating point")
        return UNIT.rule(made, reading)

    return rule


def test_what_cannot_be_simulated_has_no_row_and_is_told_once() -> None:
    asked = [Variant(faulty()), Variant(faulty(0.2)), Variant(faulty(), ((SPREADS[1], 1.0),))]
    answer = Thrifty(FakeBench(stuck("C1"))).values(UNIT.stage, asked, MIXED)
    assert np.isnan(answer.values[[0, 2]]).all()
    assert np.isfinite(answer.values[1]).all()
    assert len(answer.problems) == 1
    assert answer.problems[0].variant == "C1 capacitance loss"



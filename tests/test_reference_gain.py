"""The comparison of rankings with and without a good channel: its sums, and what it is fed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.studies.random_benches import RandomBench
from faultlib.fault import Fault
from tests.benchmarks.reference_gain import Pair, Paired, ranked_twice, rows
from tests.diagnose.fake_bench import FARADS, FakeBench, gains

READINGS = gains(4)
PATTERN = np.array([2.0, -1.0, 1.5, 0.5])
"""dB for a factor e of the only capacitor."""


def stage() -> Stage:
    return Stage("one", (Part("C1", "electrolytic", ("n1", "0"), FARADS, 0.02),))


def rule(made: Stage, reading: Reading) -> float:
    if reading not in READINGS:
        return 0.0
    value = made.part("C1").value or FARADS
    return float(PATTERN[READINGS.index(reading)]) * math.log(value / FARADS)


@pytest.mark.parametrize(("won", "lost", "same"), [(5, 1, 14), (0, 3, 9), (7, 7, 1)])
def test_error_of_paired_shares_is_that_of_the_textbooks(won: int, lost: int, same: int) -> None:
    """Variance of a difference of paired shares: ((b + c) - (b - c)^2 / n) / n^2.

    Agresti, Categorical Data Analysis, on matched pairs (from memory); here with n - 1 for one n,
    since the spread is estimated from the sample.
    """
    alone = [0.0] * won + [1.0] * lost + [1.0] * same
    beside = [1.0] * won + [0.0] * lost + [1.0] * same
    count = won + lost + same
    one = Paired.of(alone, beside)
    assert (one.won, one.lost, one.count) == (won, lost, count)
    assert one.beside - one.alone == pytest.approx((won - lost) / count)
    plain = ((won + lost) - (won - lost) ** 2 / count) / count**2
    assert one.error**2 == pytest.approx(plain * count / (count - 1))


def test_exact_chance_is_a_sum_of_binomial_coefficients() -> None:
    """Five of six by a fair coin, two-sided: 2 (C(6,0) + C(6,1)) / 2^6 = 14/64."""
    one = Paired.of([0, 0, 0, 0, 0, 1], [1, 1, 1, 1, 1, 0])
    assert one.chance == pytest.approx(14.0 / 64.0)
    assert Paired.of([1, 0], [1, 0]).chance == 1.0


def ranked(drawn: list[RandomBench]) -> list[Pair]:
    told: list[Pair] = []
    made = ranked_twice(stage(), READINGS, drawn, FakeBench(rule), told.append)
    assert told == made
    return made


def test_both_rankings_are_held_against_the_drawn_truth() -> None:
    """Half of C1 lost beside a good channel, and the same in both channels of a good unit.

    What both show is no fault: the good unit can be told so only beside.
    """
    ill = PATTERN * math.log(0.5)
    fault, good = ranked([
        RandomBench(Fault("C1", "capacitance loss", 0.5 * FARADS), ill, np.zeros(4)),
        RandomBench(None, ill, ill),
    ])
    assert fault.ill
    assert fault.alone.scored.place == fault.beside.scored.place == 1
    assert fault.beside.true > 0.9
    assert not good.ill
    assert good.beside.true > good.alone.true + 0.3
    assert good.alone.scored.answer == "C1 capacitance loss"
    assert good.beside.scored.answer != "C1 capacitance loss"


def test_table_counts_every_bench_once() -> None:
    """Columns as the head of the table names them; the three kinds add up to all."""
    ill = PATTERN * math.log(0.5)
    hint = PATTERN * math.log(0.99)
    fault = Fault("C1", "capacitance loss", 0.5 * FARADS)
    slight = Fault("C1", "capacitance loss", 0.99 * FARADS)
    drawn = [RandomBench(fault, ill, np.zeros(4)), RandomBench(slight, hint, np.zeros(4)),
             RandomBench(None, np.zeros(4), np.zeros(4))]
    lines = [row.split("|")[1:-1] for row in rows("one", ranked(drawn))]
    assert {len(cells) for cells in lines} == {9}
    count = {cells[1].strip(): int(cells[2]) for cells in lines}
    assert count["shows: part first"] == 1
    assert count["hidden: part first"] == 1
    assert count["healthy: called healthy"] == 1
    assert count["all: first answer right"] == 3


def test_table_is_of_the_script() -> None:
    """The committed table names the stages, and as many benches as asked for at least (60)."""
    text = (Path(__file__).parent / "benchmarks" / "reference.md").read_text(encoding="utf-8")
    found = [row.split("|")[1:-1] for row in text.splitlines() if "| all: first answer" in row]
    counts = {cells[0].strip(): int(cells[2]) for cells in found}
    stages = {"phono-two-transistor", "phono-opamp", "line-two-transistor"}
    assert stages <= set(counts)
    assert min(counts[name] for name in stages) >= 60
    assert counts["together"] == sum(counts[name] for name in stages)

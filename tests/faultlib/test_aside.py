"""Pieces of work by workers with benches of their own: the same whoever works, and nothing twice.

That answers are the same is held against each other, since that is what is promised; how often
something is simulated is counted by hand.
"""

from __future__ import annotations

import math
import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from circuits.bench import chunk
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib import measure
from faultlib.aside import TURNS, Handed, each_aside
from faultlib.simulate import Bench, Laboratory
from faultlib.store import Memory
from faultlib.variant import Fault, Variant
from tests.diagnose.fake_bench import LinearUnit, currents

DATA = Path(__file__).parents[1] / "data"
READINGS = (Reading("gain", frequency=20.0), Reading("gain", frequency=1e3))
LEFT = (0.9, 0.5, 0.1)
"""Of the capacitance, in the units that every piece asks for."""


def variants(*own: float) -> list[Variant]:
    return [Variant((Fault("C1", "capacitance loss", left),)) for left in (*LEFT, *own)]


def asked(stage: Stage, bench: Bench, own: float) -> tuple[list[list[float]], int]:
    """What all pieces ask for, and something of one's own; and how much had to be simulated."""
    answer = bench.values(stage, variants(own), READINGS)
    return answer.values.tolist(), answer.simulated


def deadly(home: int, bench: Bench, item: int) -> int:
    """One item kills whoever does it elsewhere."""
    if item == 2 and os.getpid() != home:
        os.kill(os.getpid(), signal.SIGSEGV)
    return item * item


def test_what_comes_of_it_is_right_and_simulated_once_after_the_first_turn() -> None:
    """The gain of a capacitor C into R is 1 / √(1 + 1/(2π f R C)²)."""
    stage = load_stage(DATA / "coupling.yaml")
    owns = [0.21 + 0.05 * k for k in range(TURNS[0] + 3)]
    with Laboratory(Memory(), 0) as bench:
        made = each_aside(bench, asked, stage, owns)
    assert [count for _, count in made] == [len(LEFT) + 1] * TURNS[0] + [1] * 3
    for own, (rows, _) in zip(owns, made, strict=True):
        for left, row in zip((*LEFT, own), rows, strict=True):
            turn = 2.0 * math.pi * 20.0 * 10e3 * 10e-6 * left
            expected = -10.0 * math.log10(1.0 + turn**-2)
            assert row[0] - row[1] == pytest.approx(expected, abs=0.01)  # its own ohms in both


def test_a_bench_without_workers_does_one_after_another() -> None:
    made = LinearUnit(np.eye(3), currents(3))
    told: list[tuple[int, int]] = []
    done = each_aside(made.bench(), squared, 2, [3, 4], lambda a, b: told.append((a, b)))
    assert done == [9, 16]
    assert told == [(1, 2), (2, 2)]


def squared(power: int, bench: Bench, item: int) -> int:
    return int(item**power)


def test_a_piece_that_kills_its_worker_is_done_here() -> None:
    with Laboratory(Memory(), 1) as bench:
        assert each_aside(bench, deadly, os.getpid(), range(6)) == [0, 1, 4, 9, 16, 25]


def test_what_comes_before_the_end_of_time_is_told_and_no_more() -> None:
    with Laboratory(Memory(), 0, limit=0.0) as bench:
        assert each_aside(bench, squared, 2, [1, 2, 3]) == []


def test_progress_counts_through_all_turns() -> None:
    told: list[tuple[int, int]] = []
    many = sum(TURNS[:2]) + 2
    with Laboratory(Memory(), 0) as bench:
        each_aside(bench, squared, 2, range(many), lambda a, b: told.append((a, b)))
    assert told == [(k + 1, many) for k in range(many)]


def test_a_store_that_was_handed_on_knows_what_the_first_one_simulated() -> None:
    """Reasons and all: a unit without a value of a reading is not simulated again either."""
    first = Handed()
    names, values = ("a", "b"), np.array([[1.0, math.nan], [2.0, 3.0]])
    first.shelf("k").keep([b"x" * 16, b"y" * 16], names, values, {0: "no solution"}, [1])
    second = Handed(first.added)
    found = second.shelf("k").known([b"y" * 16, b"x" * 16, b"z" * 16], names)
    assert found.known.tolist() == [True, True, False]
    assert found.reasons == {1: ("no solution",)}
    assert found.apart.tolist() == [True, False, False]
    np.testing.assert_array_equal(found.values[:2], values[::-1])
    assert second.added == []


def hanging(sheet: object, units: list[Variant]) -> list[object]:
    """In the place of the simulator."""
    time.sleep(600.0)
    return []


def hung(home: int, bench: Bench, own: float) -> list[list[float]]:
    """Asks for readings of a simulator that hangs, everywhere but at home."""
    if os.getpid() != home:
        measure.measured_anew = hanging  # type: ignore[assignment]
    return asked(load_stage(DATA / "coupling.yaml"), bench, own)[0]


@pytest.mark.slow
@pytest.mark.skipif(not chunk.ALARMED, reason="a system without alarms")
def test_what_hangs_costs_its_time_and_is_done_here() -> None:
    """A piece has a hundred times as long as a variant, each of its questions as long as one."""
    began = time.monotonic()
    with Laboratory(Memory(), 1, timeout=3.0) as bench:
        (made,) = each_aside(bench, hung, os.getpid(), [0.3])
    assert np.isfinite(made).all()
    assert time.monotonic() - began < 40.0

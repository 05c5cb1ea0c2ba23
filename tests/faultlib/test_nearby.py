"""Only the parts near a fault are simulated with it: held against simulating them all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.nearby import Nearby
from faultlib.simulate import Answer, Bench, Laboratory, Progress, Variant
from faultlib.store import Store
from faultlib.tolerance import Spread, spreads

DATA = Path(__file__).parents[1] / "data" / "unit"
PAIR = DATA / "pair.yaml"


@dataclass
class Counting:
    """A bench that remembers what it was asked for."""

    bench: Bench
    asked: list[Variant] = field(default_factory=list)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        self.asked += variants
        return self.bench.values(stage, variants, readings, progress)


@pytest.fixture
def bench() -> Counting:
    return Counting(Laboratory(Store(None), workers=0))


def moved(stage: Stage, fault: Fault) -> list[Variant]:
    """A faulty unit, and the same with every good part moved."""
    return [Variant((fault,)), *(Variant((fault,), ((s, 1.0),)) for s in spreads(stage))]


def test_a_single_stage_is_simulated_whole(bench: Counting) -> None:
    stage = load_stage(DATA / "divider.yaml")
    variants = moved(stage, Fault("R1", "drift up", 2.0))
    Nearby(bench).values(stage, variants, [Reading("gain", frequency=1e3)])
    assert bench.asked == variants


def test_a_fault_of_a_supply_is_near_everything(bench: Counting) -> None:
    unit = load_stage(PAIR)
    variants = moved(unit, Fault("main", "low", 0.8))
    Nearby(bench).values(unit, variants, [Reading("dc voltage", at="first.out")])
    assert bench.asked == variants


def test_parts_of_other_stages_are_not_simulated_with_the_fault(bench: Counting) -> None:
    unit = load_stage(PAIR)
    fault = Fault("second.R1", "drift up", 2.0)
    near = Nearby(bench)
    for _ in range(2):
        near.values(unit, moved(unit, fault), [Reading("dc voltage", at="second.out")])
    first = [v for v in bench.asked if v.faults and v.deviations]
    owners = {s.target.partition(".")[0] for v in first for s, _ in v.deviations}
    # resistors of one make are in every stage
    assert owners == {"second", "main", "rails", "metal-film"}
    # the healthy unit with a part moved is simulated once, whatever is asked later
    healthy = [v for v in bench.asked if not v.faults]
    assert len(healthy) == len(set(healthy)) > 1


def test_voltages_of_uncoupled_stages_are_exact(bench: Counting) -> None:
    """Two dividers on an ideal rail do not know of each other."""
    unit = load_stage(PAIR)
    stiff = unit.with_rail(type(unit.rails[0])("main", 20.0))
    readings = [Reading("dc voltage", at="first.out"), Reading("dc voltage", at="second.out")]
    variants = moved(stiff, Fault("second.R1", "drift up", 2.0))
    near = Nearby(bench).values(stiff, variants, readings).values
    every = bench.bench.values(stiff, variants, readings).values
    np.testing.assert_allclose(near, every, rtol=0.0, atol=1e-4)


def test_what_good_parts_do_elsewhere_hardly_depends_on_the_fault() -> None:
    """Held against simulating all: to a tenth, or a hundredth of a decibel."""
    unit = load_stage("receiver-chain")
    readings = [
        Reading("gain", frequency=1e3),
        Reading("response", frequency=20.0, reference=1e3),
        Reading("hum", frequency=150.0),
        Reading("noise"),
        Reading("dc voltage", at="tone.c2"),
    ]
    names = ("phono.R5", "phono.pickup", "volume.RV2", "tone.R9", "output.R8", "output.C4")
    chosen = [s for s in spreads(unit) if s.target in names]
    fault = Fault("tone.R4", "drift up", 3.0)
    variants = [Variant((fault,)), *(Variant((fault,), ((s, 1.0),)) for s in chosen)]
    bench = Laboratory(Store(None), workers=0)
    near = Nearby(bench).values(unit, variants, readings).values
    every = bench.values(unit, variants, readings).values
    shifts = every[1:] - every[0]
    assert np.all(np.abs(shifts).max(axis=0) > 0.05)
    np.testing.assert_allclose(near[1:] - near[0], shifts, rtol=0.1, atol=0.025)


def test_a_part_ahead_of_a_louder_fault_is_drowned() -> None:
    """Powers add: a change of what is a hundredth of the power is a hundredth of it."""
    unit = load_stage("receiver-chain")
    (mode,) = {h.mode.name for h in hypotheses(unit) if h.part == "tone.pickup"}
    fault = Fault("tone.pickup", mode, 300.0)
    volume = next(s for s in spreads(unit) if (s.target, s.what) == ("volume.RV1", "value"))
    variants = [Variant((fault,)), Variant((fault,), ((volume, 1.0),))]
    reading = [Reading("hum", frequency=150.0)]
    bench = Laboratory(Store(None), workers=0)
    near = Nearby(bench).values(unit, variants, reading).values[:, 0]
    every = bench.values(unit, variants, reading).values[:, 0]
    healthy = [Variant(), Variant((), ((volume, 1.0),))]
    alone = bench.values(unit, healthy, reading).values[:, 0]
    assert every[0] - alone[0] > 20.0
    assert abs(alone[1] - alone[0]) > 0.2
    assert near[1] - near[0] == pytest.approx(every[1] - every[0], abs=0.01)


def test_spreads_keep_their_place() -> None:
    """A deviation that is not the last one stays with the faulty unit."""
    unit = load_stage(PAIR)
    first, second = Spread("first.R1", "value", 0.1), Spread("second.R2", "value", 0.1)
    fault = Fault("second.R1", "drift up", 2.0)
    bench = Counting(Laboratory(Store(None), workers=0))
    Nearby(bench).values(
        unit, [Variant((fault,), ((second, 1.0), (first, 1.0)))],
        [Reading("dc voltage", at="second.out")],
    )
    assert Variant((fault,), ((second, 1.0),)) in bench.asked
    assert Variant((), ((first, 1.0),)) in bench.asked

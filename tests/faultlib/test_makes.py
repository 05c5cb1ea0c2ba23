"""What a stage file leaves open: whose number it is, what it does, and what it costs.

Effects are held against closed forms of a divider and an RC corner (any textbook of networks).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from circuits.bench.take import take
from circuits.load import load_stage, stage_names
from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.inference.channels import doubted
from faultlib.makes import left_open
from faultlib.signature import signatures
from faultlib.simulate import Answer, Bench, Laboratory, Progress, Variant
from faultlib.thrifty import Thrifty
from faultlib.tolerance import Layout, LeftOpen, Make, deviate

DIVIDER = Stage("divider", (
    Part("R1", "metal-film", ("in", "out"), 100e3, 0.01),
    Part("R2", "metal-film", ("out", "0"), 100e3, 0.01),
), source_impedance=1.0)
"""50 kohm to the outside: 10 pF there are a corner at 318 kHz."""


def test_every_node_has_a_stray_capacitance_and_every_device_its_make() -> None:
    found = left_open(load_stage("phono-two-transistor"))
    layout = {s.target for s in found if isinstance(s, Layout)}
    stage = load_stage("phono-two-transistor")
    assert layout == set(stage.nodes) - {rail.name for rail in stage.rails}
    makes = {(s.target, s.what) for s in found if isinstance(s, Make)}
    assert ("low-noise-npn", "direction 1") in makes
    assert len(found) == len(layout) + len(makes)  # each once, however many devices there are


def test_a_make_moves_all_devices_of_a_model_and_no_other() -> None:
    stage = load_stage("output-complementary")
    made = (s for s in left_open(stage) if isinstance(s, Make) and s.target == "driver-npn")
    make = max(made, key=lambda s: abs(dict(s.moves).get("BF", 0.0)))
    change = dict(make.moves)["BF"]
    moved = deviate(stage, ((make, 1.0),))
    for part in stage.parts:
        factor = math.exp(change) if part.model == "driver-npn" else 1.0
        assert moved.part(part.name).parameter("BF") == pytest.approx(
            part.parameter("BF") * factor)


def test_a_stray_capacitance_is_a_corner_at_its_node() -> None:
    """|H| = 1/2 / √(1 + (2πfRC)²), R the parallel of both resistors."""
    (stray,) = [s for s in left_open(DIVIDER) if s.target == "out"]
    reading = Reading("gain", frequency=200e3)
    (db,) = take(deviate(DIVIDER, ((stray, 1.0),)), [reading])
    corner = 1.0 / (2.0 * math.pi * 50e3 * stray.sigma)
    expected = 20.0 * math.log10(0.5 / math.hypot(1.0, 200e3 / corner))
    assert db == pytest.approx(expected, abs=0.01)


def test_what_is_left_open_is_carried_over_from_the_healthy_unit() -> None:
    """Faulty units are simulated with their tolerances only; the lines have both."""
    readings = [Reading("gain", frequency=200e3), Reading("gain", frequency=1e3)]
    around = doubted(DIVIDER)
    asked: list[Variant] = []

    class Watched:
        def values(
            self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading],
            progress: Progress | None = None,
        ) -> Answer:
            asked.extend(variants)
            return bench.values(stage, variants, readings, progress)

    with Laboratory(workers=0) as bench:
        found = signatures(DIVIDER, readings, (), bench, None, around)
        (lines,) = found.lines([Variant()], Watched())
    assert lines is not None
    np.testing.assert_allclose(lines[1], found.sensitivities, atol=1e-6)
    count = sum(isinstance(s, LeftOpen) for s in around)
    assert len(found.carried) == count > 0
    assert len(asked) == 1 + len(around) - count


def test_readings_under_drive_are_not_asked_for_makes() -> None:
    """A hundred makes would cost more than all faults together."""
    stage = load_stage("line-two-transistor")
    thd = Reading("thd", frequency=1e3)
    asked: list[tuple[int, int]] = []

    class Counting:
        def values(
            self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading],
            progress: Progress | None = None,
        ) -> Answer:
            asked.append((len(variants), len(readings)))
            return Answer(np.zeros((len(variants), len(readings))), (), len(variants))

    bench: Bench = Counting()
    makes = [Variant((), ((s, 1.0),)) for s in left_open(stage)]
    Thrifty(bench).values(stage, makes, [thd])
    assert asked == [(1, 1)]  # the healthy unit alone


@pytest.mark.parametrize("name", stage_names())
def test_good_units_of_other_makes_and_layouts_are_sane(name: str) -> None:
    """Two sigma of everything at once still makes a stage that has an operating point."""
    stage = load_stage(name)
    moved = deviate(stage, [(s, 2.0) for s in left_open(stage)])
    readings = [Reading("gain", frequency=1e3)]
    assert np.isfinite(take(moved, readings)).all()

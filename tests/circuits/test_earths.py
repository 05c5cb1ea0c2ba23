"""Returns to ground found by the circuit alone, and what charging current in their joint does.

Hum is held against closed forms: an amplifier of closed loop, e.m.f. of I·R in its foot or its
input return (every op-amp textbook: gain -Rf/Rg from the foot, 1 + Rf/Rg from the input).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.bench.take import take
from circuits.earths import all_roles, lifted, returns, standing
from circuits.feed import charging
from circuits.load import load_stage, stage_names
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from faultlib.catalogue import hypotheses, kind_of
from faultlib.designs import section
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.simulate import Laboratory, Variant
from tests.small import capacitor, opamp, resistor

RF, RG, RS, RIN = 22e3, 1e3, 100.0, 47e3
AMPLIFIER = Stage(
    "amplifier",
    (
        resistor("R1", "in", "0", RIN),
        opamp("U1", ("in", "n", "out")),
        resistor("R2", "out", "n", RF),
        resistor("R3", "n", "0", RG),
    ),
    rails=(Rail("vcc", 15.0, ((100.0, 1e-3),)),),
    source_impedance=RS,
)
LINES = (100.0, 200.0, 300.0)


def hum(stage: Stage) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return take(stage, [Reading("hum", frequency=f) for f in LINES])


def by_name(stage: Stage) -> dict[str, tuple[str, ...]]:
    return {found.name: found.parts for found in returns(stage)}


def test_the_foot_and_the_input_are_returns_and_the_load_is_none() -> None:
    loaded = replace(AMPLIFIER, parts=(*AMPLIFIER.parts, resistor("R4", "out", "0", 1e4)))
    assert by_name(loaded) == {"earth of R1": ("R1",), "earth of R3": ("R3",)}


@pytest.mark.parametrize("name", stage_names())
def test_two_wires_side_by_side_are_no_foot_and_decouple_nothing(name: str) -> None:
    """30 pF from each node to ground, 180 kohm at 30 kHz (1 / 2πfC): nothing stands on them."""
    stage = load_stage(name)
    wires = tuple(capacitor(f"near.{node}", node, "0", 30e-12) for node in stage.nodes)
    crowded = replace(stage, parts=(*stage.parts, *wires))
    found = {one: tuple(p for p in parts if not p.startswith("near."))
             for one, parts in by_name(crowded).items()}
    assert {one: parts for one, parts in found.items() if parts} == by_name(stage)


@pytest.mark.parametrize("ohms", [0.01, 1.0, 50.0])
def test_a_foot_on_a_shared_joint_hums_by_current_times_ohms_times_gain(ohms: float) -> None:
    """The joint is in parallel with the foot, whose other end is a virtual earth.

    An output on one rail gives no line above that of a square wave as high as the rail.
    """
    (foot,) = [found for found in returns(AMPLIFIER) if found.parts == ("R3",)]
    amps = dict(charging(AMPLIFIER.rails[0], AMPLIFIER.mains))
    across = ohms * RG / (ohms + RG)
    most = AMPLIFIER.rails[0].volts / 2 * 4 / np.pi / np.sqrt(2)
    expected = [min(amps[f] * across * RF / RG, most) for f in LINES]
    np.testing.assert_allclose(hum(lifted(AMPLIFIER, foot, ohms)), expected, rtol=2e-3)


def test_an_input_return_hums_by_the_noise_gain() -> None:
    """Generator and input resistor stand on the joint, the foot on clean ground."""
    (entry,) = [found for found in returns(AMPLIFIER) if found.parts == ("R1",)]
    assert entry.port
    amps = dict(charging(AMPLIFIER.rails[0], AMPLIFIER.mains))
    expected = [amps[f] * 0.1 * (1.0 + RF / RG) for f in LINES]
    np.testing.assert_allclose(hum(lifted(AMPLIFIER, entry, 0.1)), expected, rtol=2e-3)


def test_the_joint_alone_does_not_hum_at_odd_multiples_of_the_mains() -> None:
    """A full-wave rectifier charges twice a cycle."""
    (foot,) = [found for found in returns(AMPLIFIER) if found.parts == ("R3",)]
    made = lifted(AMPLIFIER, foot, 1.0)
    odd = take(made, [Reading("hum", frequency=f) for f in (50.0, 150.0)])
    assert np.all(odd < 1e-6)


def test_a_pair_takes_its_feedback_at_the_other_base() -> None:
    """Long-tailed pair, common practice: foot at the base that the output is fed back to."""
    parts = (
        resistor("R1", "b1", "0", 1e4),
        Part("Q1", "npn", ("c1", "b1", "t")), Part("Q2", "npn", ("vcc", "b2", "t")),
        resistor("R2", "vcc", "c1", 1e4), resistor("R3", "t", "0", 1e4),
        resistor("R4", "c1", "b2", 1e4), resistor("R5", "b2", "f", 1e3),
        capacitor("C1", "f", "0", 1e-4),
    )
    made = Stage("pair", parts, rails=(Rail("vcc", 20.0),), input="b1", output="c1")
    assert by_name(made)["earth of C1"] == ("C1",)
    assert all("R3" not in found for found in by_name(made).values())


def test_a_follower_has_no_foot() -> None:
    parts = (resistor("R1", "b", "0", 1e5), Part("Q1", "npn", ("vcc", "b", "out")),
             resistor("R2", "out", "0", 1e3))
    made = Stage("follower", parts, rails=(Rail("vcc", 20.0),), input="b")
    assert "earth of R2" not in by_name(made)


def test_few_returns_a_stage_each_with_a_role_and_a_kind() -> None:
    for name in stage_names():
        stage = load_stage(name)
        found = returns(stage)
        assert len(found) <= 4
        for one in found:
            assert kind_of(stage, one.name) == "earth"
            assert all_roles(stage)[one.name].startswith("earth return of")
            assert standing(one.name) in one.parts
            assert section(stage, one.name).name.startswith("earth")


def test_a_return_fails_beside_a_part_that_stands_on_it() -> None:
    """Whichever is named first; the part keeps its fault on the joint."""
    stage = load_stage("phono-two-transistor")
    both = (Fault("C3", "high esr", 5.0), Fault("earth of C3", "shared joint", 0.5))
    made, turned = inject(stage, both), inject(stage, both[::-1])
    assert made.key() == turned.key()
    assert made.part("C3").esr > stage.part("C3").esr
    assert made.part("C3.earth").value == pytest.approx(0.5)
    assert made.charged == ("C3.earth",)


def test_the_bench_hears_a_joint_of_a_unit_whose_parts_stray() -> None:
    """Decibels are 20 a decade of the joint's resistance as long as nothing else changes."""
    faults = [h for h in hypotheses(AMPLIFIER) if h.part == "earth of R3"]
    assert len(faults) == 1
    with Laboratory(workers=0) as bench:
        answer = bench.values(
            AMPLIFIER, [Variant((faults[0].fault(ohms),)) for ohms in (0.1, 1.0)],
            [Reading("hum", frequency=100.0)],
        )
    assert float(np.diff(answer.values[:, 0])[0]) == pytest.approx(20.0, abs=0.05)
    assert not answer.problems
    assert math.isfinite(answer.values[0, 0])


def test_an_input_return_leaves_the_input_impedance_as_it_is() -> None:
    """It is R1, which stands on the same joint; the amplifier's own input takes little."""
    (entry,) = [h for h in hypotheses(AMPLIFIER) if h.part == "earth of R1"]
    with Laboratory(workers=0) as bench:
        answer = bench.values(
            AMPLIFIER, [Variant(), Variant((entry.fault(1.0),))],
            [Reading("input impedance", frequency=1e3)],
        )
    assert not answer.problems
    good, lifted_too = np.exp(answer.values[:, 0])
    assert good == pytest.approx(RIN, rel=0.01)
    assert lifted_too == pytest.approx(good, rel=1e-6)

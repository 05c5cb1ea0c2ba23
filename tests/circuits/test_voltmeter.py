"""What a voltmeter shows: its own resistance is in the circuit that it reads.

Sources: Ohm's law and Thévenin's theorem; Shockley's equation; and a resistor drawn in the stage,
which has nothing to do with how the bench puts a meter in.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from circuits.bench.take import plan, take
from circuits.load import load_stage
from circuits.reading import VOLTMETER, Reading
from circuits.stage import GROUND, Part, Rail, Stage
from faultlib.fault import Fault
from faultlib.simulate import Variant, unit
from tests.small import THERMAL_VOLT, device, parallel, read, resistor

VCC = (Rail("vcc", 24.0),)
IS = 1e-14


def bench(*parts: Part) -> Stage:
    ports = (resistor("Rin", "in", "0", 1e3), resistor("Rout", "out", "0", 1e3))
    return Stage("bench", (*parts, *ports), rails=VCC)


DIVIDER = bench(resistor("R1", "vcc", "b", 1e6), resistor("R2", "b", "0", 470e3))


@pytest.mark.parametrize("ohms", [0.0, 1e6, 60e3, 20e3 * 10.0])
def test_a_loaded_divider(ohms: float) -> None:
    """24 V · (R2 ∥ Rm) / (R1 + R2 ∥ Rm)."""
    below = parallel(470e3, ohms or VOLTMETER)
    (volts,) = read(DIVIDER, Reading("dc voltage", at="b", meter=ohms))
    assert volts == pytest.approx(24.0 * below / (1e6 + below), rel=1e-6)


def test_between_two_nodes_the_meter_lies_across() -> None:
    """Across R1 of the divider: 24 V · (R1 ∥ Rm) / (R2 + R1 ∥ Rm)."""
    above = parallel(1e6, VOLTMETER)
    (volts,) = read(DIVIDER, Reading("dc voltage", at="vcc", origin="b"))
    assert volts == pytest.approx(24.0 * above / (470e3 + above), rel=1e-6)


def test_each_meter_is_taken_off_before_the_next_reading() -> None:
    readings = [Reading("dc voltage", at="b", meter=x) for x in (1e6, math.inf, 0.0, 60e3)]
    together = read(DIVIDER, *readings)
    alone = [read(DIVIDER, one)[0] for one in readings]
    # eight resistors of 1e15 ohm, switched off, leave 3e-9 of 320 kohm
    assert together == pytest.approx(alone, rel=4e-9)
    assert together[1] == pytest.approx(24.0 * 470.0 / 1470.0, rel=1e-6)


def test_a_floating_emitter_follows_its_base_through_the_meter() -> None:
    """All that flows is what the meter draws: 5 V less Vbe at (5 V - Vbe) / Rm (Shockley)."""
    stage = Stage(
        "floating",
        (
            device("Q1", "npn", ("vcc", "b", "e"), {"IS": IS, "BF": 100.0}),
            resistor("R1", "b", "0", 1e3), resistor("R2", "out", "in", 1e3),
            resistor("R3", "in", "0", 1e3),
        ),
        rails=(Rail("vcc", 24.0), Rail("b", 5.0)),
    )
    ohms = 100e3

    def left(v: float) -> float:
        """The emitter's current, (BF + 1) / BF of the collector's, less the meter's."""
        return IS * (1.0 + 1.0 / 100.0) * math.expm1((5.0 - v) / THERMAL_VOLT) - v / ohms

    expected = brentq(left, 3.0, 5.0, xtol=1e-12)
    (volts,) = read(stage, Reading("dc voltage", at="e", meter=ohms))
    # Newton's method stops at a step below 0.1 % of 4.4 V, which on an exponential leaves at most
    # the square of that step over twice the thermal voltage
    assert volts == pytest.approx(expected, abs=4.4e-3**2 / (2.0 * THERMAL_VOLT))


def drawn(stage: Stage, reading: Reading) -> float:
    """The reading with its meter drawn as a resistor of the stage."""
    ohms = reading.meter or VOLTMETER
    part = resistor("Rdrawn", reading.at, reading.origin or GROUND, ohms)
    made = replace(stage, parts=(*stage.parts, part))
    return read(made, replace(reading, meter=math.inf))[0]


@pytest.mark.parametrize("name", ["phono-two-transistor", "output-quasi-complementary"])
def test_it_is_as_if_the_meter_were_drawn(name: str) -> None:
    stage = load_stage(name)
    readings = [Reading("dc voltage", at=node) for node, _ in stage.test_points if node != GROUND]
    found = read(stage, *readings)
    assert found == pytest.approx([drawn(stage, one) for one in readings], rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("phono-two-transistor", Fault("R3", "open", 1.0)),
        ("phono-two-transistor", Fault("R1", "open", 1.0)),
        ("line-two-transistor", Fault("R4", "open", 1.0)),
        ("output-quasi-complementary", Fault("R4", "open", 1.0)),
        ("output-quasi-complementary", Fault("R3", "drift up", 300e3)),
        ("output-complementary", Fault("R16", "open", 1.0)),
        ("output-mosfet", Fault("R12", "open", 1.0)),
    ],
)
def test_of_faulty_units_what_the_good_one_does_not_explain_is_solved(
    name: str, fault: Fault
) -> None:
    """With a plan made for the good unit: within a fifth of a usual meter's error."""
    stage = load_stage(name)
    readings = [Reading("dc voltage", at=node) for node, _ in stage.test_points if node != GROUND]
    bad = unit(stage, Variant((fault,)))
    found = take(bad, plan(stage, readings))
    expected = np.array([drawn(bad, one) for one in readings])
    assert np.abs(found - expected).max() < 1e-3 + 0.2 * 0.007 * np.abs(expected).max()
    off = np.abs(found - expected) / (1e-3 + 0.2 * 0.007 * np.abs(expected))
    assert off.max() < 1.0

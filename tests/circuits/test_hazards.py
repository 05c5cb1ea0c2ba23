"""Voltages, energies and watts by hand, a rectifier's integral, and the simulator beside it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits import supply as drawn
from circuits.bench.supply import winding_peak as simulated_peak
from circuits.hazards import SQUARE_HZ, hazards, winding_peak
from circuits.load import load_stage
from circuits.stage import Part, Rail, Stage, Supply
from circuits.supply import DIODES, Filter, Regulator
from tests.small import capacitor, device, resistor


def output_stage(load: float = 8.0) -> Stage:
    """An upper and a lower transistor into a loudspeaker, nothing else."""
    parts = (
        device("Q1", "npn", ("vcc", "a", "e1"), {}), device("Q2", "pnp", ("vee", "a", "e2"), {}),
        resistor("R1", "e1", "out", 0.33), resistor("R2", "out", "e2", 0.33),
        resistor("R3", "a", "0", 10e3),
    )
    return Stage("own", parts, rails=(Rail("vcc", 31.0), Rail("vee", -31.0)), input="a", load=load)


def test_the_whole_rail_into_a_dummy_load() -> None:
    # V²/R: 31 V into 8 ohm is 120 W, into 4 ohm 240 W
    assert hazards(output_stage()).dummy_watts == pytest.approx(31.0**2 / 8.0) == 120.125
    assert hazards(output_stage(4.0)).dummy_watts == pytest.approx(31.0**2 / 4.0)
    assert hazards(output_stage()).power_stage


@pytest.mark.parametrize(
    ("name", "volts", "joules", "watts"),
    [
        # ½CV² of the largest reservoir and V²/R by hand, from the stage file's values
        ("output-complementary", 62.0, 0.5 * 4700e-6 * 31.0**2, 31.0**2 / 8.0),
        ("output-mosfet", 70.0, 0.5 * 4700e-6 * 35.0**2, 35.0**2 / 8.0),
        ("output-quasi-complementary", 64.0, 0.5 * 4700e-6 * 64.0**2, 64.0**2 / 8.0),
        ("line-triode", 290.0, 0.5 * 22e-6 * 290.0**2, None),
        ("supply-regulated", 36.0, 0.5 * 470e-6 * 36.0**2, None),
        ("supply-dual", 52.0, 0.5 * 470e-6 * 26.0**2, None),
        ("phono-opamp", 30.0, None, None),
        ("tone-control", 24.0, None, None),
    ],
)
def test_what_ships(name: str, volts: float, joules: float | None, watts: float | None) -> None:
    found = hazards(load_stage(name))
    assert found.highest is not None
    assert found.highest.volts == pytest.approx(volts)
    if joules is None:
        assert found.reservoirs == ()
    else:
        assert found.reservoirs[0].joules == pytest.approx(joules)
    assert found.power_stage == (watts is not None)
    if watts is not None:
        assert found.dummy_watts == pytest.approx(watts)


def test_an_output_capacitor_holds_half_the_supply_and_keeps_the_rail_from_the_output() -> None:
    found = hazards(load_stage("output-quasi-complementary"))
    assert found.behind == "C9"
    # the midpoint of a single supply stands in its middle (common practice): 32 V
    (held,) = (c for c in found.reservoirs if c.name == "C9")
    assert held.joules == pytest.approx(0.5 * 4700e-6 * 32.0**2)


def test_a_zobel_resistor_takes_half_c_v_squared_an_edge() -> None:
    ohms, farads, swing = 10.0, 100e-9, 62.0
    # the current into the capacitor after an edge, integrated: i = (V/R)·exp(-t/RC)
    t = np.linspace(0.0, 20.0 * ohms * farads, 200_001)
    edge = np.trapezoid((swing / ohms * np.exp(-t / (ohms * farads))) ** 2 * ohms, t)
    found = hazards(load_stage("output-complementary"))
    assert found.zobel == ("R18",)
    assert found.zobel_watts == pytest.approx(2.0 * SQUARE_HZ * float(edge), rel=1e-6)


@pytest.mark.parametrize("rectifier", DIODES)
@pytest.mark.parametrize("ohms", [2.0, 20.0])
def test_the_peak_of_a_winding_is_the_one_whose_pulses_carry_the_current(
    rectifier: str, ohms: float
) -> None:
    rail = Rail("vcc", 24.0, supply=drawn.drawn(rectifier, 0.1, 40e-3, ohms))
    peak = winding_peak(rail)
    # the mean of the current that flows while the sine is above what the load sees
    angle = np.linspace(-math.pi, math.pi, 2_000_001)
    above = 24.0 + 0.8 * (2 if rectifier == "bridge" else 1)
    pulses = 1 if rectifier == "half-wave" else 2
    flow = np.maximum(peak * np.cos(angle) - above, 0.0) / ohms
    mean = pulses * float(np.trapezoid(flow, angle)) / (2 * math.pi)
    assert mean == pytest.approx(40e-3, rel=1e-4)


@pytest.mark.parametrize("supply", [
    drawn.drawn("full-wave", 1000e-6, 40e-3, 12.0),
    drawn.drawn("bridge", 4700e-6, 1.0, 1.0),
    drawn.drawn("half-wave", 1000e-6, 40e-3, 12.0),
    drawn.drawn("full-wave", 1000e-6, 40e-3, 12.0, filter_=Filter(100.0, 1000e-6)),
    drawn.drawn("bridge", 1000e-6, 40e-3, 12.0, regulator=Regulator(24.7, 680.0, 34.0, 100e-6,
                                                                    "driver-npn")),
])
def test_the_simulator_finds_much_the_same_winding(supply: Supply) -> None:
    """Its diodes have a knee and its reservoirs ripple: a few per cent (judgement)."""
    rail = Rail("vcc", 24.0, supply=supply)
    assert winding_peak(rail) == pytest.approx(simulated_peak(supply, 24.0, 50.0), rel=0.04)


def fed(supply: Supply) -> Stage:
    """A resistor at a rail of 290 V that has this supply."""
    rail = Rail("ht", 290.0, supply=supply)
    return Stage("s", (resistor("R1", "ht", "out", 10e3),), rails=(rail,))


def test_without_load_a_supply_rises_to_the_peak_of_its_winding() -> None:
    supply = drawn.drawn("bridge", 100e-6, 50e-3, 200.0, winding=250.0)
    found = hazards(fed(supply))
    assert found.highest is not None
    # 250 V RMS peaks at √2·250 V
    assert found.highest.volts == pytest.approx(math.sqrt(2.0) * 250.0)
    assert not found.highest.rises
    assert found.reservoirs[0].joules == pytest.approx(0.5 * 100e-6 * 2.0 * 250.0**2)


def test_two_halves_of_a_winding_together_are_the_highest() -> None:
    supply = drawn.drawn("full-wave", 100e-6, 50e-3, 200.0, winding=250.0)
    found = hazards(fed(supply)).highest
    assert found is not None
    assert (found.volts, found.alternating) == (pytest.approx(500.0), True)


def test_a_secondary_has_the_primary_over_the_ratio() -> None:
    step_up = Part("T1", "transformer", ("in", "0", "s", "0"), 10.0, parameters=(("ratio", 0.5),))
    stage = Stage("s", (step_up, resistor("R1", "s", "out", 1e3)), signal=(("input level", 230.0),))
    found = hazards(stage)
    assert found.highest is not None
    assert found.highest.volts == pytest.approx(460.0)
    assert found.highest.where == "across the secondary of T1"
    assert found.powered


def test_what_stands_at_one_rail_is_a_supply_whatever_its_load() -> None:
    """A loudspeaker that is coupled directly wants its middle at 0 V, so rails of both signs."""
    parts = (device("Q1", "npn", ("raw", "b", "out"), {}), resistor("R1", "raw", "b", 1e3))
    heater = Stage("s", parts, rails=(Rail("raw", 18.0),), load=8.0)
    found = hazards(heater)
    assert not found.power_stage
    assert found.output == 18.0


def test_feedback_from_a_secondary_puts_no_rail_on_the_output() -> None:
    parts = (
        device("V1", "pentode", ("p", "ht", "g", "k"), {}), resistor("R1", "k", "0", 180.0),
        resistor("R2", "g", "0", 1e6), resistor("R3", "out", "k", 2.2e3),
        Part("T1", "transformer", ("ht", "p", "out", "0"), 20.0, parameters=(("ratio", 25.0),)),
    )
    found = hazards(Stage("s", parts, rails=(Rail("ht", 300.0),), input="g", load=8.0))
    assert (found.power_stage, found.transformed, found.output) == (True, True, 0.0)


def test_small_capacitors_and_cathode_bypasses_are_no_reservoirs() -> None:
    parts = (
        device("V1", "triode", ("p", "g", "k"), {}), resistor("R1", "ht", "p", 100e3),
        resistor("R2", "k", "0", 1.5e3), resistor("R3", "g", "0", 1e6),
        capacitor("C1", "k", "0", 47e-6), capacitor("C2", "ht", "0", 10e-9),
        capacitor("C3", "ht", "0", 10e-6),
    )
    found = hazards(Stage("s", parts, rails=(Rail("ht", 250.0),), input="g", output="p"))
    # ½·10 µF·(250 V)² = 0.3125 J; the bypass stands at a volt or two
    assert [(c.name, c.joules) for c in found.reservoirs] == [("C3", pytest.approx(0.3125))]

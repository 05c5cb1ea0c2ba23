"""Noise readings against Nyquist's and Schottky's formulas.

Sources: thermal noise 4kTR, shot noise 2qI, operational amplifier noise with a 1/f corner as data
sheets give it (density² = e²·(1 + fc/f)); constants are exact by the definition of the SI.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.bench.noise import _frequencies, rms
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from tests.small import BOLTZMANN, CHARGE, KELVIN, capacitor, db, device, opamp, read, resistor

NYQUIST = 4.0 * BOLTZMANN * KELVIN
BAND = (20.0, 20e3)
AUDIO = 20e3 - 20.0

FOLLOWER = Stage(
    "follower",
    (resistor("R1", "in", "0", 1e9), opamp("U1", ("in", "out", "out"))),
    source_impedance=1e4,
)


def test_thermal_noise_of_the_source() -> None:
    """10 k, 20 Hz to 20 kHz: √(4kTRB) = 1.82 µV; a band of two octaves from 500 Hz."""
    whole, narrow = read(
        FOLLOWER, Reading("noise"), Reading("noise", band=(500.0, 2000.0))
    )
    assert whole == pytest.approx(math.sqrt(NYQUIST * 1e4 * AUDIO), rel=2e-4)
    assert whole == pytest.approx(1.82e-6, abs=0.005e-6)
    assert narrow == pytest.approx(math.sqrt(NYQUIST * 1e4 * 1500.0), rel=2e-4)


def test_a_weighted_white_noise_is_2_05_db_lower() -> None:
    """Computed from the weighting; see tests/published/a_weighting.yaml."""
    plain, weighted = read(FOLLOWER, Reading("noise"), Reading("noise", weighting="A"))
    assert db(weighted / plain) == pytest.approx(-2.05, abs=0.05)


def test_a_capacitor_bounds_thermal_noise() -> None:
    """kT/C: 100 k with 1 nF has 2.04 µV over all frequencies, of which arctan says how much."""
    stage = Stage(
        "kTC",
        (resistor("R1", "in", "out", 1e5), capacitor("C1", "out", "0", 1e-9)),
    )
    low, high = 20.0, 20e3
    corner = 1.0 / (2.0 * math.pi * 1e5 * 1e-9)
    share = (math.atan(high / corner) - math.atan(low / corner)) / (math.pi / 2.0)
    (value,) = read(stage, Reading("noise"))
    assert value == pytest.approx(math.sqrt(BOLTZMANN * KELVIN / 1e-9 * share), rel=3e-4)


@pytest.mark.parametrize("corner", [0.0, 100.0, 3000.0])
def test_op_amp_noise_with_its_corner(corner: float) -> None:
    """Gain 101 by 10 k and 100 Ω, 10 nV/√Hz: the feedback resistors' 100 Ω ∥ 10 k adds its own."""
    stage = Stage(
        "amplifier",
        (
            resistor("R0", "in", "0", 1e6),
            opamp("U1", ("in", "m", "out"), {"noise voltage": 10e-9, "noise corner": corner}),
            resistor("R1", "out", "m", 10e3),
            resistor("R2", "m", "0", 100.0),
        ),
    )
    spectrum = 1e-16 * (AUDIO + corner * math.log(20e3 / 20.0))
    thermal = NYQUIST * (1e4 / 101.0) * AUDIO
    (value,) = read(stage, Reading("noise"))
    assert value == pytest.approx(101.0 * math.sqrt(spectrum + thermal), rel=2e-3)


def test_shot_noise_of_a_transistors_base_current() -> None:
    """100 µA through 1 M into the base, 20 mA across 100 Ω.

    The collector shows the base's shot noise times β and its own: √(2q(β²·I_B + I_C)·B)·R.
    """
    model = {"IS": 1e-14, "BF": 200.0}
    stage = Stage(
        "shot noise",
        (
            resistor("R1", "bias", "b", 1e6),
            device("Q1", "npn", ("out", "b", "0"), model),
            resistor("R2", "vcc", "out", 100.0),
            resistor("R3", "in", "b", 1e9),
        ),
        rails=(Rail("vcc", 12.0), Rail("bias", 100.7)),
        source_impedance=1e9,
    )
    (volts,) = read(stage, Reading("dc voltage", at="out"))
    collector = (12.0 - volts) / 100.0
    base = collector / 200.0
    density = 2.0 * CHARGE * (200.0**2 * base + collector) * 100.0**2
    density += NYQUIST * 100.0 + NYQUIST / 1e6 * (200.0 * 100.0) ** 2
    (value,) = read(stage, Reading("noise"))
    assert collector == pytest.approx(20e-3, rel=0.01)
    assert value == pytest.approx(math.sqrt(density * AUDIO), rel=2e-3)


def test_signal_to_noise_ratio() -> None:
    """√(4kTRB) of 10 k times 11, below 1 V out, 5 mV in and 50 mW into the load of 100 k."""
    stage = Stage(
        "eleven times",
        (
            resistor("R0", "in", "0", 1e9),
            opamp("U1", ("in", "m", "out")),
            # so small that they add nothing to the noise of the source; of wire, which beside
            # 70 V has no current noise as a film has
            Part("R1", "wirewound", ("out", "m"), 10.0),
            Part("R2", "wirewound", ("m", "0"), 1.0),
        ),
        source_impedance=1e4,
        load=100e3,
        signal=(("input level", 5e-3),),
    )
    noise = 11.0 * math.sqrt(NYQUIST * 1e4 * AUDIO)
    kinds = (("output level", 1.0), ("input level", 5e-3), ("power", 0.05))
    values = read(stage, *(Reading("snr", level=level) for level in kinds), Reading("snr"))
    expected = [db(1.0 / noise), db(55e-3 / noise), db(math.sqrt(0.05 * 1e5) / noise)]
    # Without a level the stage's usual drive counts.
    assert values == pytest.approx([*expected, expected[1]], abs=0.01)


@pytest.mark.parametrize("corner", [5.0, 60.0, 700.0, 3e3, 15e3, 90e3])
def test_a_corner_anywhere_costs_the_sum_nothing(corner: float) -> None:
    """White noise behind one RC: its power from a to b is S·f₀·(atan b/f₀ − atan a/f₀), calculus.

    At the points that are simulated, and with none of the corner's places among them.
    """
    grid = np.array(_frequencies([BAND]))
    low, high = BAND
    found = rms(grid, 1e-8 / np.sqrt(1.0 + (grid / corner) ** 2))
    meant = 1e-8 * math.sqrt(corner * (math.atan(high / corner) - math.atan(low / corner)))
    assert 20.0 * math.log10(found / meant) == pytest.approx(0.0, abs=2e-3)


def test_a_band_inside_what_was_simulated_is_summed_as_well() -> None:
    """The same from 400 Hz to 4 kHz, no end of which is a point that was simulated."""
    grid, corner = np.array(_frequencies([BAND])), 1.1e3
    found = rms(grid, 1e-8 / np.sqrt(1.0 + (grid / corner) ** 2), (400.0, 4e3))
    meant = 1e-8 * math.sqrt(corner * (math.atan(4e3 / corner) - math.atan(400.0 / corner)))
    assert 20.0 * math.log10(found / meant) == pytest.approx(0.0, abs=2e-3)

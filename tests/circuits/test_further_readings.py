"""Distortion with noise, tilt of a square wave and slew rate against closed forms.

Sources: Nyquist's 4kTRB and sums of squares for what a meter of distortion hears; the exponential
of one high-pass for tilt (π f_L/f of the trade is its first term); the charging of a capacitor and
the slew rate that an op-amp's data state.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.bench.switching import largest
from circuits.device import load_devices
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from tests.circuits.test_distortion import SQUARE, V0
from tests.small import BOLTZMANN, KELVIN, capacitor, device, opamp, read, resistor

NYQUIST = 4.0 * BOLTZMANN * KELVIN
AUDIO = 20e3 - 20.0
WIRE = (resistor("R1", "in", "out", 1.0), resistor("R2", "out", "0", 1e9))
SOURCE = Stage("source", WIRE, source_impedance=1e4)


def with_noise(frequency: float, volts: float, **conditions: tuple[float, float]) -> Reading:
    band = conditions.get("band", (0.0, 0.0))
    return Reading("thd+n", frequency=frequency, level=("input level", volts), band=band)


def thermal(band: float) -> float:
    return math.sqrt(NYQUIST * 1e4 * band)


def test_a_clean_stage_has_its_noise_alone() -> None:
    """10 k: √(4kTRB) = 1.82 µV beside 1 mV is 0.182 %, in a narrow band less.

    The analyser's own 0.1 µV comes to it.
    """
    whole, narrow = read(
        SOURCE, with_noise(1e3, 1e-3), with_noise(1e3, 1e-3, band=(20.0, 5e3))
    )
    assert whole == pytest.approx(math.hypot(thermal(AUDIO), 1e-7) / 1e-3, rel=1e-3)
    assert narrow == pytest.approx(math.hypot(thermal(4980.0), 1e-7) / 1e-3, rel=1e-3)


def test_another_load_hears_less_noise() -> None:
    """10 k into 10 k: 4kTRB of 5 k, 1.28 µV, with the level stated at the output."""
    reading = Reading("thd+n", frequency=1e3, level=("output level", 1e-3), load=1e4)
    own, loaded = read(SOURCE, replace(reading, load=0.0), reading)
    assert own == pytest.approx(math.hypot(thermal(AUDIO), 1e-7) / 1e-3, rel=6e-3)
    half = math.sqrt(NYQUIST * 5e3 * AUDIO)
    # the level is set to within half a per cent
    assert loaded == pytest.approx(math.hypot(half, 1e-7) / 1e-3, rel=6e-3)


def test_hum_in_the_band_counts() -> None:
    """30 µV of 50 Hz and 40 µV of 150 Hz beside 1 mV: 5 %; above 100 Hz 4 %."""
    stage = Stage(
        "pickup", WIRE, source_impedance=1.0, pickup=((50.0, 30e-6), (150.0, 40e-6))
    )
    whole, high = read(stage, with_noise(1e3, 1e-3), with_noise(1e3, 1e-3, band=(100.0, 20e3)))
    assert whole == pytest.approx(0.05, rel=1e-3)
    assert high == pytest.approx(0.04, rel=1e-3)


def test_harmonics_in_the_band_count() -> None:
    """HD2 = A/4V0 of a square law; of 15 kHz it lies beyond 20 kHz, and within 80 kHz."""
    volts = 0.1
    expected = volts * math.sqrt(2.0) / (4.0 * V0)
    low, lost, wide = read(
        SQUARE, with_noise(1e3, volts), with_noise(15e3, volts),
        with_noise(15e3, volts, band=(20.0, 80e3)),
    )
    assert low == pytest.approx(expected, rel=1e-3)
    assert lost < 0.01 * expected
    assert wide == pytest.approx(expected, rel=1e-3)


# -- tilt ------------------------------------------------------------------------------------------


def high_pass(name: str, a: str, b: str, corner: float) -> tuple[Part, ...]:
    ohms = 1e4
    return (
        capacitor(f"C{name}", a, b, 1.0 / (2.0 * math.pi * ohms * corner)),
        resistor(f"R{name}", b, "0", ohms),
    )


@pytest.mark.parametrize(
    ("corner", "frequency", "expected"),
    [(2.0, 100.0, 0.0609), (5.0, 50.0, 0.2696), (0.1, 1000.0, 3.14e-4)],
)
def test_tilt_of_one_high_pass(corner: float, frequency: float, expected: float) -> None:
    """1 − exp(−π f_L/f): 6.09 % for 2 Hz at 100 Hz."""
    stage = Stage("coupling", high_pass("1", "in", "out", corner))
    (value,) = read(stage, Reading("tilt", frequency=frequency))
    assert value == pytest.approx(1.0 - math.exp(-math.pi * corner / frequency), rel=2e-3)
    assert value == pytest.approx(expected, rel=2e-3)


def test_small_tilts_add() -> None:
    """Two corners of 1 Hz at 1 kHz: 2π/1000 to first order."""
    stage = Stage("two", (*high_pass("1", "in", "a", 1.0), opamp("U1", ("a", "b", "b")),
                          *high_pass("2", "b", "out", 1.0)))
    (value,) = read(stage, Reading("tilt", frequency=1e3))
    assert value == pytest.approx(2.0 * math.pi / 1000.0, rel=5e-3)


def test_no_tilt_without_a_high_pass_whatever_the_upper_corner_and_sign() -> None:
    pole = (resistor("R1", "in", "m", 1e3), capacitor("C1", "m", "0", 8e-9))  # 20 kHz
    inverter = (resistor("R2", "m", "n", 1e6), resistor("R3", "n", "out", 1e6),
                opamp("U1", ("0", "n", "out")))
    (value,) = read(Stage("flat", (*pole, *inverter)), Reading("tilt", frequency=100.0))
    assert value == pytest.approx(0.0, abs=5e-4)


def test_a_dead_stage_has_no_tilt() -> None:
    dead = Stage("dead", (resistor("R1", "in", "0", 1e3), resistor("R2", "out", "0", 1e3)))
    assert read(dead, Reading("tilt", frequency=100.0)) == [0.0]


# -- slew rate -------------------------------------------------------------------------------------


def test_the_slope_of_one_pole_is_its_height_over_its_time() -> None:
    """V/RC at the first moment: 1 V into 1 µs is 1 V/µs, and a smaller step less."""
    stage = Stage("pole", (resistor("R1", "in", "out", 1e3), capacitor("C1", "out", "0", 1e-9)))
    large, small = read(
        stage, *(Reading("slew rate", level=("input level", v)) for v in (1.0, 0.1))
    )
    # a chord of the grid is a little less steep than the tangent
    assert large == pytest.approx(1e6, rel=0.02)
    assert small == pytest.approx(1e5, rel=0.02)


@pytest.mark.parametrize("rate", [5e5, 13e6])
def test_an_op_amp_slews_as_its_data_say(rate: float) -> None:
    model = {"gain": 1e5, "gbw": 3e6 if rate < 1e6 else 3e7, "input resistance": 1e12,
             "output resistance": 50.0, "slew rate": rate, "swing": 12.0}
    stage = Stage(
        "slew",
        (device("U1", "opamp", ("in", "out", "out"), model), resistor("R1", "in", "0", 1e6)),
        rails=(Rail("vcc", 15.0), Rail("vee", -15.0)), load=1e4,
    )
    five, eight = read(
        stage, *(Reading("slew rate", level=("input level", v)) for v in (5.0, 8.0))
    )
    assert five == pytest.approx(rate, rel=0.05)
    assert eight == pytest.approx(rate, rel=0.05)


RAILS = (Rail("vcc", 15.0), Rail("vee", -15.0))


@pytest.mark.parametrize("name", ["general-opamp", "audio-opamp"])
def test_without_a_level_the_square_wave_is_large(name: str) -> None:
    """A follower at its usual 10 mV moves as its bandwidth lets it, V·2π·GBW at the most.

    The slew rate of its data shows at a height of volts alone.
    """
    model = dict(load_devices()[name].parameters)
    stage = Stage(
        "follower",
        (device("U1", "opamp", ("in", "out", "out", "vcc", "vee"), model),
         resistor("R1", "in", "0", 1e6)),
        rails=RAILS, load=1e4, signal=(("input level", 0.01),),
    )
    large, usual = read(
        stage, Reading("slew rate"), Reading("slew rate", level=("input level", 0.01))
    )
    assert large == pytest.approx(model["slew rate"], rel=0.05)
    assert usual < 0.01 * 2.0 * math.pi * model["gbw"]
    assert usual < 0.7 * large


@pytest.mark.parametrize("farad", [1e-6, 1e-7])
def test_a_capacitor_charged_by_a_current_source_slews_at_its_current(farad: float) -> None:
    """dV/dt = I/C: a follower can only turn off, and leaves the capacitor to the source above it.

    What flows is told by the drop over the source's emitter resistor at rest.
    """
    ideal = {"IS": 1e-14, "BF": 1e4}
    stage = Stage(
        "follower",
        (
            device("Q1", "pnp", ("vee", "in", "out"), ideal),
            device("Q2", "pnp", ("out", "b", "e"), ideal),
            resistor("R1", "vcc", "e", 1e3),
            resistor("R2", "vcc", "b", 2.7e3),
            resistor("R3", "b", "0", 12.3e3),
            capacitor("C1", "out", "0", farad),
        ),
        rails=RAILS, load=1e9, signal=(("input level", 0.01),),
    )
    slope, emitter = read(stage, Reading("slew rate"), Reading("dc voltage", at="e"))
    assert slope == pytest.approx((15.0 - emitter) / 1e3 / farad, rel=0.02)


def test_the_large_wave_is_no_higher_than_the_output_swings() -> None:
    """85 % of what a clipped sine shows: 0.85 · 4 V, though the rails would allow 15."""
    stage = Stage(
        "clipper", (opamp("U1", ("in", "out", "out"), {"swing": 4.0, "gbw": 1e8, "gain": 1e6,
                                                       "output resistance": 10.0}),
                    resistor("R1", "in", "0", 1e6)), rails=RAILS,
    )
    how, volts = alone(largest(stage), Engine().run)
    # the diodes that clamp it add a tenth of a volt or so
    assert how == "output level"
    assert volts == pytest.approx(0.85 * 4.0, rel=0.06)


def test_a_stage_of_resistors_has_no_largest_wave() -> None:
    """Its slope is that of the usual drive: V/RC."""
    parts = (resistor("R1", "in", "out", 1e3), capacitor("C1", "out", "0", 1e-9))
    stage = Stage("pole", parts, signal=(("input level", 2.0),))
    (slope,) = read(stage, Reading("slew rate"))
    assert slope == pytest.approx(2e6, rel=0.02)

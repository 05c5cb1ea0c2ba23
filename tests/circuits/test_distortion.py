"""Readings under drive against closed forms.

Sources: a junction's exponential driven by a cosine (modified Bessel functions), the square law of
a junction field-effect transistor and polynomials (trigonometry), a clipped sine (Fourier
integrals), networks (ripple).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.optimize
import scipy.special

from circuits.bench import driven
from circuits.bench.analysis import Transient, Waves
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.circuit import Circuit, Element
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.stage import Rail, Stage
from tests.small import THERMAL_VOLT, capacitor, db, device, opamp, read, resistor

FREQUENCIES = (20.0, 1e3, 20e3)
FLOOR = 10.0 ** (-110.0 / 20.0)
"""What the simulation itself may add, relative to the fundamental."""

IDEAL_NPN = {"IS": 1e-14, "BF": 1e6}
EXPONENTIAL = Stage(
    "exponential",
    (device("Q1", "npn", ("out", "in", "vee"), IDEAL_NPN), resistor("R1", "vcc", "out", 1e3)),
    rails=(Rail("vcc", 12.0), Rail("vee", -0.65)),
)
V0 = 1.5
SQUARE = Stage(
    "square law",
    (
        device("J1", "njf", ("out", "in", "s"), {"VTO": -2.0, "BETA": 1e-3, "IS": 1e-20}),
        resistor("R1", "vcc", "out", 2e3),
        resistor("R2", "s", "vs", 1e-3),
    ),
    rails=(Rail("vcc", 20.0), Rail("vs", 2.0 - V0)),
    load=1e6,
)
"""Drain current 1 mA/V² · (V0 + v)²."""
SQUARE_GAIN = 2e-3 * V0 / (1 / 2e3 + 1 / 1e6)


def shares(tone: driven.Tones, stage: Stage, crest: float) -> waveform.Floats:
    """Amplitudes of all lines over the fundamental, straight from the simulation."""
    found = alone(driven.drive(stage, tone, crest), Engine().run)
    return np.abs(found.spectrum.amplitudes / found.spectrum.amplitudes[0])


@pytest.mark.parametrize("frequency", FREQUENCIES)
@pytest.mark.parametrize("crest", [1e-3, 5e-3, 26e-3])
def test_exponential_by_bessel_functions(frequency: float, crest: float) -> None:
    """Harmonic n over the fundamental is I_n(A/V_T) / I_1(A/V_T)."""
    found = shares(driven.tone(frequency), EXPONENTIAL, crest)[:10]
    orders = np.arange(1, 11)
    bessel = scipy.special.iv(orders, crest / THERMAL_VOLT)
    # reltol of 1e-6 shows in the large harmonics, the floor in the small ones
    assert found == pytest.approx(bessel / bessel[0], rel=5e-4, abs=FLOOR)


@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_square_law_has_a_second_harmonic_and_no_other(frequency: float) -> None:
    """(V0 + v)²: HD2 = A/4V0, nothing above: the floor of the simulation, below −110 dB."""
    found = shares(driven.tone(frequency), SQUARE, 0.3)[:10]
    assert found[1] == pytest.approx(0.3 / (4.0 * V0), rel=1e-4)
    assert found[2:].max() < FLOOR


@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_polynomial(frequency: float) -> None:
    """HD2 = a₂A/2, HD3 = a₃A²/4 of the linear part: 0.5 and 0.1 % with a₂ .01, a₃ .004, A 1 V."""
    tone = driven.tone(frequency)
    net = Circuit((
        Element("V1", ("in", "0"), 0.0),
        Element("B1", ("a", "in"), None, f"v=time>0?{tone.text(1.0)}:0"),
        Element("B2", ("out", "0"), None, "v=v(a)+0.01*v(a)*v(a)+0.004*v(a)*v(a)*v(a)"),
        Element("R1", ("out", "0"), 1e3),
    ))
    wanted = Transient(("out",), 4.0 * tone.period, tone.step, 0.0, driven.OPTIONS)
    (waves,) = Engine().run(net, [wanted])
    assert isinstance(waves, Waves)
    start = 2.0 * tone.period
    found = waveform.harmonics(waves.time, waves.nodes[:, 0], frequency, start=start)
    sizes = np.abs(found.amplitudes)
    assert sizes[:3] == pytest.approx([1.003, 0.005, 0.001], abs=3e-7)
    assert sizes[3:10].max() < FLOOR


# -- readings --------------------------------------------------------------------------------------


def test_readings_at_every_kind_of_level() -> None:
    """HD2 = A/4V0 of a square law, whichever way the level is stated."""
    volts = 0.1 * math.sqrt(2.0) * SQUARE_GAIN / math.sqrt(2.0)
    values = read(
        SQUARE,
        Reading("thd", frequency=1e3, level=("input level", 0.1)),
        Reading("thd", frequency=1e3, level=("output level", volts)),
        Reading("thd", frequency=1e3, level=("power", volts**2 / 1e6)),
        Reading("harmonic", order=2, frequency=1e3, level=("output level", volts)),
        Reading("harmonic", order=3, frequency=1e3, level=("output level", volts)),
    )
    expected = 0.1 * math.sqrt(2.0) / (4.0 * V0)
    assert values[0] == pytest.approx(expected, rel=1e-4)
    # the level is set to within half a per cent
    assert values[1:3] == pytest.approx([expected, expected], rel=6e-3)
    assert values[3] == pytest.approx(db(expected), abs=0.05)
    # an analyser sees nothing below −120 dB
    assert -120.01 < values[4] < -115.0


def test_another_load_counts_for_power_and_gain() -> None:
    """0.5 mW into 2 k is 1 V; into 1 k 0.707 V: HD2 from the drive that each needs."""
    for load in (2e3, 1e3):
        slope = 2e-3 * V0 / (1 / 2e3 + 1 / load)
        crest = math.sqrt(2.0 * 0.5e-3 * load) / slope
        reading = Reading("thd", frequency=1e3, level=("power", 0.5e-3), load=load)
        # the meter shows fundamental and harmonics: 1 % more than the fundamental alone
        share = crest / (4.0 * V0)
        crest /= math.sqrt(1.0 + share**2)
        assert read(SQUARE, reading)[0] == pytest.approx(crest / (4.0 * V0), rel=8e-3)


def test_supply_current_under_drive() -> None:
    """A square law draws β(V0² + A²/2): more than at rest, whatever hangs on the rail."""
    rest, with_signal = 1e-3 * V0**2, 1e-3 * (V0**2 + 1.0**2 / 2.0)
    level = ("input level", 1.0 / math.sqrt(2.0))
    wanted = Reading("supply current", rail="vcc", level=level, frequency=1e3)
    values = read(SQUARE, Reading("supply current", rail="vcc"), wanted)
    leak = (20.0 - 2e3 * with_signal) / 1e6
    assert values[0] == pytest.approx(rest, rel=1e-2)
    assert values[1] == pytest.approx(with_signal + leak, rel=1e-3)
    # 200 Ω and 1000 µF take 200 periods to settle; two periods are simulated
    slow = replace(
        SQUARE,
        parts=(*SQUARE.parts, capacitor("C1", "vcc", "0", 1e-3)),
        rails=(Rail("vcc", 20.0, resistance=200.0), SQUARE.rails[1]),
    )
    assert read(slow, wanted)[0] == pytest.approx(with_signal + leak, rel=5e-3)


def clipped(at: float, order: int) -> float:
    """Amplitude of a harmonic of a unit cosine that is clipped at a part of its crest."""
    edge = math.acos(min(at, 1.0))
    value, _ = scipy.integrate.quad(
        lambda x: min(max(math.cos(x), -at), at) * math.cos(order * x),
        0.0, math.pi, points=[edge, math.pi - edge], limit=200,
    )
    return 2.0 / math.pi * value


def clipped_thd(at: float) -> float:
    """Harmonics 2 to 10 over the fundamental."""
    parts = [clipped(at, k) for k in range(1, 11)]
    return float(np.linalg.norm(parts[1:]) / parts[0])


SWING = 200.0
CLIPPING = Stage(
    "clips",
    (
        opamp("U1", ("in", "out", "out"), {"swing": SWING, "gbw": 1e8}),
        resistor("R1", "in", "0", 1e4),
    ),
    load=1e4,
)
"""A buffer that stops at 200 V; the diodes that stop it take a tenth of a volt more."""


def stops(swing: float, drive: float) -> float:
    """Where the buffer stops: the swing and the drop of the diode that carries the rest.

    By Shockley's equation with the figures of `circuits.macromodels.opamp`: the current is that
    of the first stage, 2π·gbw·1 nF times what the output lacks of the drive; IS = 1e-12 A, N = 0.2
    at 27 °C. Half of the peak stands for the current over the whole time that it is clipped: the
    drop moves by 4 mV where that is wrong by a factor of two.

    Parameters
    ----------
    swing, drive : float
        V, peak.
    """
    amperes = 0.5 * 2.0 * math.pi * 1e8 * 1e-9 * (drive - swing)
    return swing + 0.2 * THERMAL_VOLT * math.log(amperes / 1e-12)


@pytest.mark.parametrize(
    ("at", "percent"),
    # of all harmonics; from the Fourier integral of a clipped sine
    [(0.95, 1.924), (0.9, 4.220), (0.8, 8.979), (0.5, 23.294)],
)
def test_clipped_sine(at: float, percent: float) -> None:
    level = ("input level", SWING / at / math.sqrt(2.0))
    (value,) = read(CLIPPING, Reading("thd", frequency=1e3, level=level))
    assert value == pytest.approx(clipped_thd(at), rel=0.02)
    # harmonics beyond the tenth add little
    assert value * 100.0 == pytest.approx(percent, rel=0.04)


def test_a_level_out_of_reach_reads_the_clipping_at_half_again_the_drive() -> None:
    stage = replace(CLIPPING, parts=(opamp("U1", ("in", "out", "out"), {"swing": 13.0, "gbw": 1e8}),
                                     CLIPPING.parts[1]))
    (value,) = read(stage, Reading("thd", frequency=1e3, level=("output level", 15.0)))
    drive = 15.0 * math.sqrt(2.0) * 1.5
    assert value == pytest.approx(clipped_thd(stops(13.0, drive) / drive), rel=0.02)


def test_a_dead_unit_reads_all_distortion() -> None:
    """No signal passes: what the analyser shows is its own floor over its own floor."""
    dead = Stage("dead", (resistor("R1", "in", "0", 1e3), resistor("R2", "out", "0", 1e3)))
    thd, most = read(
        dead,
        Reading("thd", frequency=1e3, level=("output level", 1.0)),
        Reading("maximum output", frequency=1e3, thd=0.01),
    )
    assert thd == pytest.approx(1.0, abs=0.01)
    assert most < 1e-6


@pytest.mark.parametrize("wanted", [0.01, 0.1])
def test_maximum_output(wanted: float) -> None:
    """Where a clipped sine has that distortion."""
    low = replace(CLIPPING, parts=(opamp("U1", ("in", "out", "out"), {"swing": 20.0, "gbw": 1e8}),
                                   CLIPPING.parts[1]))
    (value,) = read(low, Reading("maximum output", frequency=1e3, thd=wanted))
    at = scipy.optimize.brentq(lambda r: clipped_thd(r) - wanted, 0.3, 0.999)
    parts = [clipped(at, k) for k in range(1, 11)]
    drive = stops(20.0, 20.0 / at) / at
    expected = drive * float(np.linalg.norm(parts)) / math.sqrt(2.0)
    assert value == pytest.approx(expected, rel=0.01)


def test_maximum_output_where_distortion_rises_slowly() -> None:
    """A square law reaches 2 % at A = 0.08 V0."""
    (value,) = read(SQUARE, Reading("maximum output", frequency=1e3, thd=0.02))
    assert value == pytest.approx(0.08 * V0 * SQUARE_GAIN / math.sqrt(2.0), rel=0.01)


def test_two_tones() -> None:
    """A square law: d2 = A/4V0 with two tones of A; m2 = A1/V0; nothing of the third order.

    The level is that of the sine with the same crest: 0.2 V RMS is 0.1414 V for each equal tone.
    """
    crest = 0.2 * math.sqrt(2.0)
    difference, modulation, unequal = read(
        SQUARE,
        Reading("imd", tones=(19e3, 20e3), level=("input level", 0.2)),
        Reading("imd", tones=(60.0, 7e3), level=("input level", 0.2)),
        Reading("imd", tones=(7e3, 60.0), ratio=1.0, level=("output level", 0.2 * SQUARE_GAIN)),
    )
    assert difference == pytest.approx(crest / 2.0 / (4.0 * V0), rel=1e-3)
    assert modulation == pytest.approx(0.8 * crest / V0, rel=2e-3)
    assert unequal == pytest.approx(0.5 * crest / V0, rel=8e-3)


def test_ripple_on_a_node() -> None:
    """200 mV behind 100 Ω and 470 µF with 0.5 Ω: a divider at the rail, then 1 k and 10 µF.

    A line that no way in carries reads nothing.
    """
    stage = Stage(
        "decoupled",
        (
            capacitor("C1", "vcc", "0", 470e-6, 0.5),
            resistor("R1", "vcc", "vd", 1e3),
            capacitor("C2", "vd", "0", 10e-6),
            resistor("R2", "vd", "out", 1e5),
            resistor("R3", "out", "0", 1e5),
            resistor("R4", "in", "0", 1e4),
        ),
        rails=(Rail("vcc", 24.0, ((100.0, 0.2),), 100.0),),
    )
    rail, after, other = read(
        stage,
        Reading("ripple", at="vcc", frequency=100.0),
        Reading("ripple", at="vd", frequency=100.0),
        Reading("ripple", at="vd", frequency=150.0),
    )
    w = 2j * math.pi * 100.0
    last = 1.0 / (w * 10e-6 + 1.0 / 2e5)
    shunt = 1.0 / (1.0 / (0.5 + 1.0 / (w * 470e-6)) + 1.0 / (1e3 + last))
    expected = 0.2 * shunt / (100.0 + shunt)
    assert rail == pytest.approx(abs(expected), rel=1e-4)
    assert after == pytest.approx(abs(expected * last / (1e3 + last)), rel=1e-4)
    assert other < 1e-6

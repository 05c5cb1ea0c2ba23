"""Circuits of books, tables and standards as netlists: imported, simulated, against their figures.

Eleven netlists in eleven hands (`tests/data/outside`). Figures, and the books' own values where a
book has some, are from memory; the closed form stands beside each, so that it can be worked again.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.bench.take import take
from circuits.load import stage_of_text
from circuits.reading import Reading
from circuits.spice.importing import imported
from circuits.stage import Stage

FOLDER = Path(__file__).parents[2] / "data" / "outside"
THERMAL = 25.85e-3
"""V at 300 K, kT/q."""


def stage_of(name: str, **given: str) -> Stage:
    """The stage of a netlist, by its text, without the resistance that electrolytics have."""
    path = FOLDER / f"{name}.cir"
    made = imported(path.read_text(encoding="utf-8"), path.name, path.parent, given=given or None)
    stage = stage_of_text(made.text, f"{name}.yaml")
    return replace(stage, parts=tuple(replace(part, esr=0.0) for part in stage.parts))


def gains(stage: Stage, *frequencies: float, at: str = "") -> list[float]:
    return take(stage, [Reading("gain", frequency=f, at=at) for f in frequencies])


def volts(stage: Stage, *nodes: str) -> list[float]:
    return take(stage, [Reading("dc voltage", at=node, meter=math.inf) for node in nodes])


def test_common_emitter() -> None:
    """Sedra and Smith's example of classical bias: 12 V, 80k and 40k, 0.93 mA for a gain of 100.

    IE = (4 V - 0.7 V) / (3.3k + 26.7k/101); with the emitter bypassed the gain is RC·IC/VT.
    """
    stage = stage_of("common-emitter")
    emitter, collector = volts(stage, "e", "c")
    assert emitter / 3.3e3 == pytest.approx(0.93e-3, rel=0.02)
    assert collector == pytest.approx(12.0 - 4e3 * 0.92e-3, abs=0.1)
    current = (12.0 - collector) / 4e3
    (gain,) = gains(stage, 1e3)
    assert gain == pytest.approx(20 * math.log10(4e3 * current / THERMAL), abs=0.2)


def test_fourth_order_butterworth_of_the_tables() -> None:
    """1.082, 0.9241, 2.613, 0.3825 for unity-gain sections (Williams); |H|² = 1/(1 + (f/f0)⁸)."""
    stage = stage_of("butterworth-fourth")
    for frequency in (100.0, 500.0, 1e3, 2e3, 4e3):
        expected = -10 * math.log10(1.0 + (frequency / 1e3) ** 8)
        assert gains(stage, frequency)[0] == pytest.approx(expected, abs=0.05), frequency


def test_equal_components_with_the_gain_of_the_table() -> None:
    """Horowitz and Hill's table of VCVS filters: K = 1.586 for two poles of Butterworth."""
    stage = stage_of("equal-components")
    for frequency in (10.0, 500.0, 1e3, 2e3):
        expected = 20 * math.log10(1.586) - 10 * math.log10(1.0 + (frequency / 1e3) ** 4)
        assert gains(stage, frequency)[0] == pytest.approx(expected, abs=0.03), frequency


def test_state_variable_filter() -> None:
    """Kerwin, Huelsman and Newcomb: with equal resistors Q = (1 + R1/R2)/3, all gains one at pass.

    LP = -1/(1 - x² + jx/Q) with x = f/f0; at f0 it reads Q.
    """
    stage = stage_of("state-variable", output="lp")
    quality = (1.0 + 14.0) / 3.0
    for frequency in (50.0, 250.0, 500.0, 1e3):
        x = frequency / 500.0
        expected = -20 * math.log10(abs(1.0 - x * x + 1j * x / quality))
        assert gains(stage, frequency)[0] == pytest.approx(expected, abs=0.05), frequency


@pytest.mark.parametrize("name", ["riaa-passive", "riaa-feedback"])
def test_riaa_networks_of_the_standard_time_constants(name: str) -> None:
    """Lipshitz (1979): 2187, 750 and 318 µs of the passive network, 3180 and 75 µs of the active.

    The curve is that of IEC 60098: 3180, 318 and 75 µs. Above 10 kHz the active one's further zero
    would show with less gain.
    """
    stage = stage_of(name)

    def curve(frequency: float) -> float:
        s = 2j * math.pi * frequency
        return 20 * math.log10(abs((1 + 318e-6 * s) / (1 + 3180e-6 * s) / (1 + 75e-6 * s)))

    frequencies = (20.0, 50.0, 200.0, 2e3, 10e3, 20e3)
    (middle,) = gains(stage, 1e3)
    for frequency, gain in zip(frequencies, gains(stage, *frequencies), strict=True):
        assert gain - middle == pytest.approx(curve(frequency) - curve(1e3), abs=0.1), frequency


def test_bass_control_of_the_feedback_kind() -> None:
    """Baxandall: 11k and 100k boost by (11k + 100k)/11k, 20.1 dB; 3 dB less near 1/(2π·100k·C)."""
    stage = stage_of("baxandall")
    low, turnover, high = gains(stage, 1.0, 1.0 / (2 * math.pi * 100e3 * 50e-9), 20e3)
    assert low == pytest.approx(20 * math.log10(111.0 / 11.0), abs=0.1)
    assert turnover == pytest.approx(low - 3.0, abs=0.2)
    assert high == pytest.approx(0.0, abs=0.1)


def test_wien_network() -> None:
    """A third, and no phase, at 1/(2πRC); any book on oscillators."""
    stage = stage_of("wien")
    gain, phase = take(stage, [Reading("gain", frequency=1e3), Reading("phase", frequency=1e3)])
    assert gain == pytest.approx(-20 * math.log10(3.0), abs=0.01)
    assert phase == pytest.approx(0.0, abs=0.1)


def test_cathode_follower() -> None:
    """µ·R/(rp + (µ + 1)·R) (Radiotron Designer's Handbook), of a three-halves law with µ = 20.

    The grid leak goes to the tap, so the bias is the drop across 1 kohm alone; gm = 1.5·I·µ/(µ·v).
    """
    stage = stage_of("cathode-follower")
    cathode, tap = volts(stage, "k", "t")
    current = (cathode - tap) / 1e3
    drive = 250.0 - cathode - 20.0 * current * 1e3
    assert current == pytest.approx(3.3e-6 * drive**1.5, rel=0.01)
    plate = drive / (1.5 * current)
    load = 23e3 * 1e6 / (23e3 + 1e6)
    expected = 20.0 * load / (plate + 21.0 * load)
    (gain,) = gains(stage, 1e3)
    assert gain == pytest.approx(20 * math.log10(expected), abs=0.05)


def test_differential_pair() -> None:
    """Horowitz and Hill: RC / 2(RE + re) from one input, tail current from 15 V less a junction."""
    stage = stage_of("differential")
    (collector,) = volts(stage, "out")
    current = (15.0 - collector) / 10e3
    assert 2.0 * current == pytest.approx((15.0 - 0.65) / 14.8e3, rel=0.02)
    emitter = 1e3 + THERMAL / current
    (gain,) = gains(stage, 1e3)
    exact = 10e3 / (emitter + 1.0 / (1.0 / emitter + 1.0 / 14.3e3)) * 14.3e3 / (14.3e3 + emitter)
    assert exact == pytest.approx(10e3 / (2.0 * emitter), rel=0.05)
    assert gain == pytest.approx(20 * math.log10(exact), abs=0.05)


def test_zobel_network_makes_a_loudspeaker_a_resistor() -> None:
    """R and L/R² across R and L are R at every frequency; any book on crossover networks."""
    stage = stage_of("zobel", output="out")
    readings = [Reading("input impedance", frequency=f) for f in (50.0, 1e3, 20e3)]
    assert take(stage, readings) == pytest.approx([6.401] * 3, rel=2e-3)

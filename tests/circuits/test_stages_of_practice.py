"""Stages added later, healthy: against closed forms, nodal analysis and figures of the trade.

Limits are common practice unless a source stands beside the check. What a network should do is
worked out here from the values that the stage file names, never read off the simulation.
"""

from __future__ import annotations

import math

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from tests.circuits.test_more_stages import (
    AUDIO,
    gains,
    ideal_tone,
    responses,
    turned,
    value,
    volts,
)
from tests.small import db, parallel, read

PHONO = ("phono-shunt-feedback", "phono-three-transistor")
RIAA_POINTS = tuple(float(f) for f in (20, 50, 100, 300, 1000, 3000, 10000, 20000))


@pytest.mark.parametrize("name", [*PHONO, "headphone", "output-mirror"])
def test_every_transistor_works_in_its_active_region(name: str) -> None:
    """A base-emitter voltage of 0.5 to 0.75 V, and more than 0.5 V from collector to emitter."""
    stage = load_stage(name)
    for part in stage.parts:
        if part.kind in ("npn", "pnp"):
            collector, base, emitter = volts(stage, *part.nodes)
            sign = 1.0 if part.kind == "npn" else -1.0
            assert 0.5 < sign * (base - emitter) < 0.75, part.name
            assert sign * (collector - emitter) > 0.5, part.name


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_follows_the_standard_curve(name: str) -> None:
    """IEC 60098's time constants; within 1 dB of them, as a good amplifier of the time had it."""
    found = read(load_stage(name), *(
        Reading("riaa deviation", frequency=f) for f in RIAA_POINTS if f != 1e3))
    assert max(map(abs, found)) < 1.0


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_loads_the_cartridge_as_is_usual(name: str) -> None:
    """A moving-magnet cartridge wants 47 kohm (common practice; IEC 60098 has it too)."""
    (ohms,) = read(load_stage(name), Reading("input impedance", frequency=1e3))
    assert ohms == pytest.approx(47e3, rel=0.06)


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_is_quiet(name: str) -> None:
    """Better than 55 dB below 5 mV, which DIN 45500 asked for (from memory)."""
    level = ("input level", 5e-3)
    snr, *hum = read(load_stage(name), Reading("snr", level=level),
                     *(Reading("hum", frequency=f, level=level) for f in (50.0, 100.0)))
    assert snr > 55.0
    assert max(hum) < -45.0


def network(resistors: tuple[float, float], capacitors: tuple[float, float], frequency: float
            ) -> complex:
    """Impedance of two parallel RC pairs in series, ohm."""
    s = 2j * math.pi * frequency
    return sum(r / (1.0 + s * r * c) for r, c in zip(resistors, capacitors, strict=True))


def test_gain_of_shunt_feedback_is_the_ratio_of_two_impedances() -> None:
    """Of the network and the series resistor with the source.

    A loop gain of 20 dB and more, as one transistor with a bootstrapped load has, takes 0.8 dB.
    """
    stage = load_stage("phono-shunt-feedback")
    pair = value(stage, "R10"), value(stage, "R11")
    farads = value(stage, "C7"), value(stage, "C8") + value(stage, "C11")
    bleeder = parallel(100e3, value(stage, "R13"))
    leaving = bleeder / (bleeder + value(stage, "R12"))
    for frequency, found in zip(RIAA_POINTS, gains(stage, RIAA_POINTS), strict=True):
        ideal = abs(network(pair, farads, frequency)) / (value(stage, "R2") + 1e3)
        assert -0.9 < found - db(ideal * leaving) < 0.1, frequency


def test_gain_of_series_feedback_is_that_of_its_divider() -> None:
    """1 + Z/R, R being both resistors at the first emitter, above the blocking capacitors."""
    stage = load_stage("phono-three-transistor")
    pair = value(stage, "R8"), value(stage, "R9")
    foot = parallel(value(stage, "R4"), value(stage, "R5"))
    bleeder = parallel(100e3, value(stage, "R11"))
    leaving = bleeder / (bleeder + value(stage, "R10"))
    entry = 47e3 / 48e3
    for frequency in (100.0, 1e3, 10e3):
        ideal = abs(1.0 + network(pair, (value(stage, "C7"), value(stage, "C8")), frequency) / foot)
        (found,) = gains(stage, [frequency])
        assert found == pytest.approx(db(ideal * leaving * entry), abs=0.5), frequency


def test_voltages_of_the_shunt_stage_follow_from_its_bias_feedback() -> None:
    """What its two resistors and the RIAA network bring goes to ground and into a gain of 450."""
    stage = load_stage("phono-shunt-feedback")
    base, end = volts(stage, "b1", "e2")
    through = sum((end - base) / (value(stage, a) + value(stage, b))
                  for a, b in (("R5", "R6"), ("R10", "R11")))
    (emitter,) = volts(stage, "e1")
    current = emitter / value(stage, "R7") / 450.0
    assert through - base / value(stage, "R4") == pytest.approx(current, rel=0.3)
    low, high = volts(stage, "bs", "vd")
    assert (high - low) / value(stage, "R3") == pytest.approx(
        (low - volts(stage, "c1")[0]) / value(stage, "R8"), rel=0.01)


@pytest.mark.parametrize("bass", [0.0, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("treble", [0.0, 0.5, 1.0])
def test_op_amp_tone_control_does_what_its_network_says(bass: float, treble: float) -> None:
    """Nodal analysis of the network round an ideal amplifier."""
    stage = turned(load_stage("tone-opamp"), RV1=bass, RV2=treble)
    frequencies = [50.0, 100.0, 300.0, 1e3, 3e3, 10e3]
    bleeder = parallel(47e3, value(stage, "R8"))
    entry = db(82.46e3 / (82.46e3 + 4.7e3))  # both resistors at the input, behind 4.7 kohm
    leaving = db(bleeder / (bleeder + value(stage, "R7")))
    for frequency, gain in zip(frequencies, gains(stage, frequencies), strict=True):
        ideal = ideal_tone(stage, frequency) + entry + leaving
        assert gain == pytest.approx(ideal, abs=0.15), frequency


def test_op_amp_tone_control_range() -> None:
    """Flat within 1 dB in the middle; 8 to 18 dB either way at 50 Hz and 15 kHz, mirrored."""
    stage = load_stage("tone-opamp")
    assert max(map(abs, responses(stage, AUDIO))) < 1.0
    for name, frequency in (("RV1", 50.0), ("RV2", 15e3)):
        (boost,) = responses(turned(stage, **{name: 1.0}), [frequency])
        (cut,) = responses(turned(stage, **{name: 0.0}), [frequency])
        assert 8.0 < boost < 18.0
        assert boost == pytest.approx(-cut, abs=0.5)


def test_headphone_amplifier_gain_is_that_of_its_divider() -> None:
    """1 + 12k/3.3k, less what the source and the resistor at the output take of it; flat."""
    stage = load_stage("headphone")
    entry = parallel(value(stage, "R1"), value(stage, "R2"))
    load = parallel(64.0, value(stage, "R11"))
    ideal = db((1.0 + value(stage, "R4") / value(stage, "R3")) * entry / (entry + 2.2e3)
               * load / (load + value(stage, "R9")))
    assert gains(stage, [1e3])[0] == pytest.approx(ideal, abs=0.1)
    assert max(map(abs, responses(stage, AUDIO))) < 0.5


def test_headphone_amplifier_output() -> None:
    """Its resistor is the output impedance; some milliamperes of idle current; no direct voltage.

    IEC 61938 has 120 ohm as the source of headphones (from memory), makers less; 10 mV is what a
    diaphragm does not notice (common practice). At the usual level 64 ohm
    take 5 mW and more, which is loud (common practice).
    """
    stage = load_stage("headphone")
    (ohms,) = read(stage, Reading("output impedance", frequency=1e3))
    assert ohms == pytest.approx(parallel(value(stage, "R9"), value(stage, "R11")), abs=0.3)
    upper, middle, lower, out = volts(stage, "e1", "o", "e2", "out")
    for drop, name in ((upper - middle, "R7"), (middle - lower, "R8")):
        assert 1e-3 < drop / value(stage, name) < 10e-3
    assert abs(out) < 10e-3
    (gain,) = gains(stage, [1e3])
    assert (0.3 * 10 ** (gain / 20.0)) ** 2 / 64.0 > 5e-3


def test_currents_of_the_mirror_amplifier_follow_from_its_diodes() -> None:
    """A junction of 0.6 to 0.7 V across each source's resistor; the mirror halves the tail."""
    stage = load_stage("output-mirror")
    (low, held) = volts(stage, "vee", "bs")
    assert 1.2 < held - low < 1.5
    tail, source = ((volts(stage, at)[0] - low) / value(stage, name)
                    for at, name in (("e5", "R8"), ("e7", "R9")))
    assert 0.55 < tail * value(stage, "R8") < 0.8
    assert source / tail == pytest.approx(value(stage, "R8") / value(stage, "R9"), rel=0.15)
    left, right, first, second, tap = volts(stage, "m1", "m2", "e1", "e2", "t")
    assert 36.0 - left == pytest.approx(36.0 - right, rel=0.03)
    for emitter, name in ((first, "R3"), (second, "R4")):
        assert (emitter - tap) / value(stage, name) == pytest.approx(tail / 2.0, rel=0.04)


def test_mirror_amplifier_gain_offset_and_idle_current() -> None:
    """1 + 27k/1k; below 50 mV at the output and some 20 to 60 mA idle (common practice)."""
    stage = load_stage("output-mirror")
    entry = value(stage, "R2") / (value(stage, "R2") + value(stage, "R1") + 600.0)
    ideal = db((1.0 + value(stage, "R18") / value(stage, "R19")) * entry)
    assert gains(stage, [1e3])[0] == pytest.approx(ideal, abs=0.15)
    assert max(map(abs, responses(stage, AUDIO))) < 1.0
    upper, middle, lower = volts(stage, "p1", "o", "p2")
    assert abs(middle) < 50e-3
    for drop, name in ((upper - middle, "R14"), (middle - lower, "R15")):
        assert 20e-3 < drop / value(stage, name) < 60e-3


@pytest.mark.slow
def test_mirror_amplifier_gives_its_power() -> None:
    """36 V less 4 to 8 V of drops and sag is a peak of 28 V, 50 W into 8 ohm; 40 W below 0.5 %."""
    stage = load_stage("output-mirror")
    level = ("power", 40.0)
    (thd,) = read(stage, Reading("thd", frequency=1e3, level=level))
    assert thd < 0.005

"""Injected faults against textbook answers, through the real simulator.

Sources: the textbook bias exercise (divider 10k/4.7k on 10 V, 1k and 470 ohm; common practice),
US Army STP 11-25R13 appendices D and E for the directions, closed forms for the numbers.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.bench.analysis import NoiseSpectrum
from circuits.bench.engine import Engine
from circuits.bench.take import take
from circuits.moving import GENERATOR
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from faultlib.fault import Fault
from faultlib.inject import inject

CHARGE = 1.602176634e-19
VOLTS_THERMAL = 0.025852
"""At 300 K."""

EXERCISE = Stage(
    name="exercise",
    parts=(
        Part("C1", "film", ("in", "b"), 1e-6),
        Part("R1", "metal-film", ("vcc", "b"), 10e3),
        Part("R2", "metal-film", ("b", "0"), 4.7e3),
        Part("R3", "metal-film", ("vcc", "c"), 1e3),
        Part("R4", "metal-film", ("e", "0"), 470.0),
        Part("Q1", "npn", ("c", "b", "e"), parameters=(("IS", 1e-14), ("BF", 150.0))),
        Part("C2", "film", ("e", "f"), 1e-3),
        Part("R5", "metal-film", ("f", "0"), 1e-3),
        Part("C3", "film", ("c", "out"), 1e-5),
    ),
    rails=(Rail("vcc", 10.0),),
    load=1e8,
)
BIAS = [Reading("dc voltage", at=node) for node in ("b", "e", "c")]


def bias(*faults: Fault) -> list[float]:
    return [float(v) for v in take(inject(EXERCISE, faults), BIAS)]


def gain(*faults: Fault) -> float:
    return float(take(inject(EXERCISE, faults), [Reading("gain", frequency=10e3)])[0])


def test_healthy_exercise() -> None:
    """Near 3.2, 2.5 and 4.7 V; 0.6 to 0.7 V from base to emitter and the gain make it 0.3 V."""
    assert bias() == pytest.approx([3.2, 2.5, 4.7], abs=0.3)


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Fault("R1", "open"), (0.0, 0.0, 10.0)),  # cut off
        (Fault("Q1", "base open"), (3.2, 0.0, 10.0)),  # the divider alone
        (Fault("Q1", "collector-emitter short"), (3.2, 3.2, 3.2)),  # 10 V over 1k and 470 ohm
        (Fault("Q1", "base-emitter short"), (0.43, 0.43, 10.0)),  # 4.7k parallel 470 under 10k
    ],
)
def test_bias_of_the_faulty_exercise(fault: Fault, expected: tuple[float, ...]) -> None:
    assert bias(fault) == pytest.approx(expected, abs=0.05)


def test_emitter_resistor_open_leaves_the_collector_at_the_rail() -> None:
    """Textbook: no current, so nothing across the collector load."""
    _, emitter, collector = bias(Fault("R4", "open"))
    assert collector == pytest.approx(10.0, abs=0.01)
    assert emitter > 2.5


def test_lower_divider_resistor_up_drives_toward_saturation() -> None:
    """STP 11-25R13: up toward saturation, down toward cut-off."""
    assert bias(Fault("R2", "drift up", 2.5))[2] < bias()[2]
    assert bias(Fault("R2", "drift down", 0.5))[2] > bias()[2]


def test_emitter_bypass_open_costs_gain_and_leaves_the_bias() -> None:
    """Closed form: gain falls from R_C/r_e to R_C/(r_e + R_E); base current neglected (1 %)."""
    assert bias(Fault("C2", "open")) == pytest.approx(bias(), abs=1e-3)
    current = (10.0 - bias()[2]) / 1e3
    slope = VOLTS_THERMAL / current
    fall = 20.0 * math.log10(slope / (slope + 470.0))
    assert gain(Fault("C2", "open")) - gain() == pytest.approx(fall, abs=0.15)


@pytest.mark.parametrize("part", ["C1", "C3"])
def test_an_open_coupling_capacitor_stops_the_signal_and_leaves_the_bias(part: str) -> None:
    """STP 11-25R13: no output, bias normal.

    Into the 10 kohm of a next stage: what an open part has left, some picofarads, still passes into
    nothing at all.
    """
    loaded = replace(EXERCISE, load=10e3)
    reading = [Reading("gain", frequency=10e3)]
    (good,), (bad,) = take(loaded, reading), take(inject(loaded, Fault(part, "open")), reading)
    assert bad < good - 20.0
    assert bias(Fault(part, "open")) == pytest.approx(bias(), abs=1e-3)


def test_a_leaky_coupling_capacitor_moves_the_bias_behind_it() -> None:
    """Closed form: the leak lies from the base to the generator's 0 V, beside R2."""
    bare = Fault("Q1", "base open")
    leaky = 4.7e3 * 10e3 / (4.7e3 + 10e3)
    expected = 10.0 * leaky / (leaky + 10e3)
    assert bias(bare, Fault("C1", "leakage", 10e3))[0] == pytest.approx(expected, abs=1e-3)


def test_a_noisy_transistor_has_twice_the_noise_power_at_its_corner() -> None:
    """2q·IB (1 + f_c/f) at the base, read at the collector; the base is fed through 10 Mohm.

    The collector's own shot noise is one part in BF of it, the thermal noise of 10 Mohm less.
    """
    stage = Stage(
        name="noise",
        parts=(
            Part("R1", "metal-film", ("vcc", "b"), 10e6),
            Part("R3", "metal-film", ("vcc", "out"), 10e3),
            Part("Q1", "npn", ("out", "b", "0"), parameters=(("IS", 1e-14), ("BF", 300.0))),
        ),
        rails=(Rail("vcc", 10.0),),
        input="b",
        source_impedance=1e9,
    )
    corner = 20e3
    frequencies = (200.0, 2e3, 20e3, 20e6)
    faulty = circuit(inject(stage, Fault("Q1", "noisy", corner)))
    (answer,) = Engine().run(faulty, [NoiseSpectrum("out", GENERATOR, frequencies)])
    density = np.asarray(answer.density) ** 2
    expected = [1.0 + corner / f for f in frequencies]
    assert density / density[-1] == pytest.approx(np.array(expected) / expected[-1], rel=0.02)
    current = (10.0 - 0.65) / 10e6
    shot = 2.0 * CHARGE * current * (300.0 * 10e3) ** 2
    assert density[-1] == pytest.approx(shot, rel=0.05)

"""The shipped stages, healthy: what a technician would call in order.

The limits are figures of the trade for such stages (common practice unless a source stands beside
the check), and the design targets that each stage's file states.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from circuits.bench.analysis import Floats, Transient, Waves
from circuits.bench.engine import Engine
from circuits.circuit import Element
from circuits.load import load_stage, stage_names
from circuits.moving import GENERATOR
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.small import read

PHONO = ("phono-two-transistor", "phono-opamp")
AUDIO = tuple(float(f) for f in np.geomspace(20.0, 20e3, 31))
OUTPUT = "output-complementary"


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_follows_the_replay_curve(name: str) -> None:
    """±0.5 dB of IEC 60098 (from memory), the usual figure of a good one."""
    stage = load_stage(name)
    for frequency, value in zip(
        AUDIO, read(stage, *(Reading("riaa deviation", frequency=f) for f in AUDIO)), strict=True
    ):
        assert abs(value) < 0.5, f"{frequency:.0f} Hz"


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_has_the_usual_gain_and_input(name: str) -> None:
    """34 to 40 dB at 1 kHz brings 5 mV to line level; cartridges ask for 47 k within 10 %."""
    gain, ohms = read(
        load_stage(name),
        Reading("gain", frequency=1e3),
        Reading("input impedance", frequency=1e3),
    )
    assert 34.0 < gain < 40.0
    assert ohms == pytest.approx(47e3, rel=0.1)


@pytest.mark.parametrize("name", PHONO)
def test_phono_stage_is_quiet(name: str) -> None:
    """DIN 45500 asked for 50 dB unweighted below the nominal signal (from memory)."""
    stage = load_stage(name)
    level = ("input level", 5e-3)
    snr, fifty, hundred = read(
        stage,
        Reading("snr", level=level),
        Reading("hum", frequency=50.0, level=level),
        Reading("hum", frequency=100.0, level=level),
    )
    assert 60.0 < snr < 100.0
    assert fifty < -60.0
    assert hundred < -60.0


def test_transistor_pair_is_biased_in_the_middle() -> None:
    """Both transistors conduct, neither is saturated, the second collector may swing both ways."""
    stage = load_stage("phono-two-transistor")
    at = {
        node: read(stage, Reading("dc voltage", at=node))[0]
        for node in ("b1", "e1", "c1", "c2", "e2", "vd")
    }
    assert 0.5 < at["b1"] - at["e1"] < 0.7
    assert 0.5 < at["c1"] - at["e2"] < 0.7
    assert at["c1"] - at["e1"] > 0.5
    assert 0.3 * at["vd"] < at["c2"] < 0.7 * at["vd"]


def test_op_amp_stage_sits_at_ground() -> None:
    (output,) = read(load_stage("phono-opamp"), Reading("dc voltage", at="o"))
    assert abs(output) < 0.1


def test_output_stage_at_rest() -> None:
    """26 mV across each emitter resistor is least distortion (Oliver, HP Journal, Feb 1971).

    78 mA in 0.33 Ω; an offset of 50 mV is the usual limit for a loudspeaker.
    """
    upper, middle, lower, out = read(
        load_stage(OUTPUT), *(Reading("dc voltage", at=node) for node in ("e7", "o", "e8", "out"))
    )
    assert (upper - middle) / 0.33 == pytest.approx(78e-3, rel=0.1)
    assert (middle - lower) / 0.33 == pytest.approx(78e-3, rel=0.1)
    assert abs(out) < 0.05


def test_bias_trimmer_spans_the_quiescent_current() -> None:
    """One way the stage starves, the other way it runs hot; the file's setting lies between."""
    stage = load_stage(OUTPUT)
    trimmer = stage.part("RV1")

    def quiescent(position: float) -> float:
        turned = stage.with_part(replace(trimmer, position=position))
        upper, middle = read(
            turned, Reading("dc voltage", at="e7"), Reading("dc voltage", at="o")
        )
        return (upper - middle) / 0.33

    currents = [quiescent(position) for position in (1.0, trimmer.position, 0.0)]
    assert currents == sorted(currents)
    assert currents[0] < 40e-3
    assert currents[2] > 150e-3


def test_output_stage_damping_and_gain() -> None:
    """Damping factor 20 to 60 at the terminal, wiring and fuse included; gain flat to ±0.5 dB."""
    stage = load_stage(OUTPUT)
    damping, *gains = read(
        stage,
        Reading("damping factor", frequency=1e3),
        *(Reading("gain", frequency=f) for f in AUDIO),
    )
    assert 20.0 < damping < 60.0
    assert 26.0 < gains[15] < 32.0
    assert max(gains) - min(gains) < 1.0


def step_answer(stage: Stage, load: float, farads: float) -> tuple[Floats, Floats]:
    """Output after a step of 1 mV at 1 µs, relative to rest: time and volts.

    Trapezoidal rule with the usual trtol, because gear hides an oscillation.
    """
    net = circuit(stage, load)
    pulse = "pulse(0 1e-3 1e-6 1e-8 1e-8 1 2)"
    elements = [
        Element(e.name, e.nodes, None, pulse) if e.name == GENERATOR else e for e in net.elements
    ]
    if farads:
        elements.append(Element("Cload", ("out", "0"), farads))
    (waves,) = Engine().run(
        replace(net, elements=tuple(elements)),
        [Transient(("out",), 60e-6, 50e-9, options=("method=trap", "trtol=7"))],
    )
    assert isinstance(waves, Waves)
    return waves.time, waves.nodes[:, 0] - waves.nodes[0, 0]


def ringing(time: Floats, volts: Floats) -> float:
    """Peak to peak in the last 10 µs over the final value."""
    late = volts[time > 50e-6]
    return float(np.ptp(late) / abs(late.mean()))


SETTLED = 0.01
"""Share of the final value within which an answer to a step counts as settled: 1 %, which
textbooks of control take beside 2 and 5 % (from memory). The last 10 of 60 µs are looked at; a
power amplifier of the trade settles within some tens of microseconds (common practice)."""
UNDAMPED = 2.0
"""Highest point over final value of a pair of poles without any damping, 1 + exp(-πζ/√(1 - ζ²))
with ζ = 0: what damping is left keeps a step below it."""


def oscillates(time: Floats, volts: Floats, step: float) -> bool:
    """Whether a unit swings by itself: its swing does not die away, and outdoes the step itself.

    Of a stable unit every swing is smaller than the one before (the definition of stability).

    Parameters
    ----------
    time, volts : (n,) array
        Of `step_answer`.
    step : float
        Final value of the stable unit, V.
    """
    before = float(np.ptp(volts[(time > 40e-6) & (time <= 50e-6)]))
    late = float(np.ptp(volts[time > 50e-6]))
    return late > step and late > 0.9 * before


OPEN = 1e9
LOADS = [(8.0, 0.0), (4.0, 0.0), (8.0, 100e-9), (8.0, 2e-6), (OPEN, 0.0), (OPEN, 100e-9)]


@pytest.mark.parametrize(("load", "farads"), LOADS)
def test_output_stage_is_stable(load: float, farads: float) -> None:
    """Resistive, capacitive and open loads: the usual bench test of an amplifier."""
    time, volts = step_answer(load_stage(OUTPUT), load, farads)
    final = volts[time > 50e-6].mean()
    # Gain 21 into 8 Ω; the output network and wiring of 0.18 Ω take a little at 4 Ω.
    assert final == pytest.approx(21e-3, rel=0.03)
    assert ringing(time, volts) < SETTLED
    assert volts.max() < UNDAMPED * final
    assert not oscillates(time, volts, final)


def test_output_stage_without_compensation_is_not() -> None:
    """Opening the compensation capacitor makes such a stage oscillate; the check above sees it."""
    broken = inject(load_stage(OUTPUT), Fault("C5", "open"))
    assert oscillates(*step_answer(broken, 8.0, 0.0), step=21e-3)


@pytest.mark.parametrize("name", stage_names())
def test_stage_file_tells_what_a_user_needs(name: str) -> None:
    stage = load_stage(name)
    assert stage.name == name
    assert all((stage.title, stage.about, stage.source, stage.cautions))
    assert all(part.role for part in stage.parts)

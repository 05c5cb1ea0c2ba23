"""The quasi-complementary and the MOSFET output stage, healthy and on the bench's usual loads.

Limits are common practice unless a source stands beside the check.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.circuits.test_stages_sane import (
    AUDIO,
    LOADS,
    SETTLED,
    UNDAMPED,
    oscillates,
    ringing,
    step_answer,
)
from tests.small import db, parallel, read

QUASI, MOSFET = "output-quasi-complementary", "output-mosfet"
BOTH = (QUASI, MOSFET)
SENSE = {QUASI: ("R15", "R16"), MOSFET: ("R16", "R17")}


def resting_currents(name: str, position: float | None = None) -> list[float]:
    """Through the resistors of the upper and lower output transistor, A."""
    stage = load_stage(name)
    if position is not None:
        stage = stage.with_part(replace(stage.part("RV1"), position=position))
    found = []
    for part in (stage.part(resistor) for resistor in SENSE[name]):
        a, b = read(stage, *(Reading("dc voltage", at=node) for node in part.nodes))
        assert part.value
        found.append((a - b) / part.value)
    return found


def test_quiescent_current_of_the_quasi_complementary_stage() -> None:
    """26 mV across each emitter resistor is least distortion (Oliver, HP Journal, Feb 1971)."""
    for current in resting_currents(QUASI):
        assert current * 0.33 == pytest.approx(26e-3, rel=0.1)


def test_quiescent_current_of_the_mosfet_stage() -> None:
    """100 mA, where the drain current of lateral types hardly moves with heat (makers' notes)."""
    for current in resting_currents(MOSFET):
        assert current == pytest.approx(100e-3, rel=0.1)


@pytest.mark.parametrize("name", BOTH)
def test_bias_trimmer_spans_the_quiescent_current(name: str) -> None:
    low, high = sorted(resting_currents(name, end)[0] for end in (0.0, 1.0))
    assert low < 0.1 * resting_currents(name)[0]
    assert high > 3.0 * resting_currents(name)[0]


def test_midpoint_and_offset() -> None:
    """Half the supply, to swing alike both ways; 50 mV at a loudspeaker without a capacitor."""
    middle, rail, out = read(
        load_stage(QUASI), *(Reading("dc voltage", at=node) for node in ("o", "vcc", "out"))
    )
    assert middle == pytest.approx(rail / 2.0, rel=0.05)
    assert abs(out) < 1e-3
    (offset,) = read(load_stage(MOSFET), Reading("dc voltage", at="out"))
    assert abs(offset) < 50e-3


@pytest.mark.parametrize("name", BOTH)
def test_gain_is_set_by_the_feedback(name: str) -> None:
    """1 + R_f/R_foot, less the dividers at the input and in the wiring to the loudspeaker."""
    stage = load_stage(name)
    ideal, entry = {
        QUASI: (1.0 + 2200.0 / 100.0, parallel(100e3, 100e3)),
        MOSFET: (1.0 + 22.0, 22e3),
    }[name]
    gain, damping = read(
        stage, Reading("gain", frequency=1e3), Reading("damping factor", frequency=1e3)
    )
    # 600 Ω of generator and 1 k of filter; DF is R_L/Z_o (IEC 60268-3, from memory).
    expected = db(ideal) + db(entry / (entry + 1600.0)) + db(damping / (damping + 1.0))
    assert gain == pytest.approx(expected, abs=0.1)
    assert 20.0 < damping < 60.0


@pytest.mark.parametrize("name", BOTH)
def test_response(name: str) -> None:
    """±0.5 dB over the audio band; DIN 45500 asked for ±1.5 dB from 40 Hz to 16 kHz."""
    levels = read(
        load_stage(name), *(Reading("response", frequency=f, reference=1e3) for f in AUDIO)
    )
    assert max(map(abs, levels)) < 0.5


def test_output_capacitor_sets_the_bass() -> None:
    """4700 µF into 8 Ω and the wiring: 4.2 Hz; the input's 4.7 µF into 50 k adds 0.7 Hz."""
    series = 8.0 + 0.1 + 0.03 + 0.041
    corners = (
        1.0 / (2.0 * math.pi * series * 4700e-6),
        1.0 / (2.0 * math.pi * 51.6e3 * 4.7e-6),
        # the foot: 100 Ω, the first emitter behind it counts for nothing, and 470 µF
        1.0 / (2.0 * math.pi * 100.0 * 470e-6),
    )
    (found,) = read(load_stage(QUASI), Reading("response", frequency=10.0, reference=1e3))
    expected = -sum(10.0 * math.log10(1.0 + (f / 10.0) ** 2) for f in corners)
    assert found == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("name", BOTH)
@pytest.mark.parametrize(("load", "farads"), LOADS)
def test_stage_is_stable(name: str, load: float, farads: float) -> None:
    """Resistive, capacitive and open loads: the usual bench test of an amplifier."""
    stage = load_stage(name)
    time, volts = step_answer(stage, load, farads)
    (gain,) = read(stage, Reading("gain", frequency=1e3, load=load))
    final = volts[time > 50e-6].mean()
    assert final == pytest.approx(1e-3 * 10.0 ** (gain / 20.0), rel=0.02)
    assert ringing(time, volts) < SETTLED
    assert np.max(volts) < UNDAMPED * final
    assert not oscillates(time, volts, float(final))


def test_stage_without_compensation_is_not() -> None:
    """Opening the compensation capacitor makes such a stage oscillate; the check above sees it.

    Not so the MOSFET stage: what makes its followers oscillate is the inductance of the wiring,
    which no stage file draws.
    """
    broken = inject(load_stage(QUASI), Fault("C5", "open"))
    assert oscillates(*step_answer(broken, 8.0, 0.0), step=21e-3)


@pytest.mark.parametrize("name", BOTH)
@pytest.mark.parametrize("frequency", [20.0, 1e3, 20e3])
def test_distortion_at_rated_power(name: str, frequency: float) -> None:
    """0.2 % at 30 W into 8 Ω over the audio band, a usual figure of the trade."""
    readings = [
        Reading("thd", frequency=frequency, level=("power", watts), load=8.0)
        for watts in (30.0, 3.0)
    ]
    for found in read(load_stage(name), *readings):
        assert 1e-6 < found < 0.002

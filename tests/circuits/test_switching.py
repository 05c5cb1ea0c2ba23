"""Rise time, overshoot and self-oscillation against closed forms.

Sources: step responses of one and two poles (control theory), Barkhausen's condition for the
phase-shift oscillator (textbooks), and common practice for a lost compensation.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize

from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.bench.switching import PROBE_STEP, probe, swinging
from circuits.errors import EngineError, Oscillates
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Stage
from tests.small import capacitor, opamp, read, resistor

QUICK = {"gbw": 1e9, "output resistance": 10.0, "swing": 5.0, "gain": 1e6}
"""An op-amp that is ideal for what is read here, without poles that a transient run would chase."""
BOTH = (Reading("rise time"), Reading("overshoot"))


def pole(name: str, a: str, b: str, rise: float) -> tuple[Part, ...]:
    """1 k and a capacitor with that rise time: RC ln 9."""
    return (
        resistor(f"R{name}", a, b, 1e3),
        capacitor(f"C{name}", b, "0", rise / math.log(9.0) / 1e3),
    )


@pytest.mark.parametrize("seconds", [35e-9, 3.5e-6, 350e-6])
def test_rise_time_of_one_pole(seconds: float) -> None:
    """t_r = ln 9 / 2πf: 3.5 µs at 100 kHz. No overshoot."""
    rise, over = read(Stage("one pole", pole("1", "in", "out", seconds)), *BOTH)
    assert rise == pytest.approx(seconds, rel=2e-3)
    assert over == pytest.approx(0.0, abs=1e-4)


def test_rise_times_of_two_poles() -> None:
    """3 and 4 µs behind a buffer: exactly 1 − (ae^(−t/a) − be^(−t/b))/(a − b).

    The rule of the trade, 5 µs by addition in quadrature, holds to 8 % for two poles.
    """
    stage = Stage(
        "two poles",
        (
            *pole("1", "in", "a", 3e-6),
            opamp("U1", ("a", "b", "b"), QUICK),
            *pole("2", "b", "out", 4e-6),
        ),
    )
    a, b = 3e-6 / math.log(9.0), 4e-6 / math.log(9.0)

    def reached(share: float) -> float:
        def off(t: float) -> float:
            return 1.0 - (a * math.exp(-t / a) - b * math.exp(-t / b)) / (a - b) - share

        return float(scipy.optimize.brentq(off, 0.0, 1e-4))

    (rise,) = read(stage, BOTH[0])
    assert rise == pytest.approx(reached(0.9) - reached(0.1), rel=2e-3)
    assert rise == pytest.approx(5e-6, rel=0.08)


@pytest.mark.parametrize("damping", [0.2, 0.5])
def test_overshoot_of_a_resonance(damping: float) -> None:
    """Series R, L and C: exp(−πζ/√(1−ζ²)), 52.66 and 16.30 %, whatever the level."""
    henry, farad = 1e-3, 1e-9
    ohms = 2.0 * damping * math.sqrt(henry / farad)
    stage = Stage(
        "resonance",
        (
            resistor("R1", "in", "a", ohms),
            Part("L1", "inductor", ("a", "out"), henry, 0.1),
            capacitor("C1", "out", "0", farad),
        ),
    )
    expected = math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
    found = read(stage, BOTH[1], Reading("overshoot", level=("input level", 5.0)))
    assert found == pytest.approx([expected, expected], abs=6e-3)


def test_a_large_step_meets_the_slew_rate() -> None:
    """10 V at 1 V/µs: 8 µs from 10 to 90 %; a small step is as quick as the bandwidth allows."""
    limited = {"slew rate": 1e6, "gbw": 1e6}
    parts = (opamp("U1", ("in", "out", "out"), limited), resistor("R1", "in", "0", 1e4))
    stage = Stage("slow", parts)
    large, small = read(
        stage,
        Reading("rise time", level=("input level", 10.0)),
        Reading("rise time", level=("input level", 1e-3)),
    )
    assert large == pytest.approx(8e-6, rel=0.01)
    assert small == pytest.approx(math.log(9.0) / (2.0 * math.pi * 1e6), rel=0.01)


def test_a_unit_that_passes_nothing_has_no_edge() -> None:
    """The screen shows a line: a rise longer than any, and no overshoot."""
    dead = Stage("dead", (resistor("R1", "in", "0", 1e3), resistor("R2", "out", "0", 1e3)))
    rise, over = read(dead, *BOTH)
    assert rise > 1e-3
    assert over < 0.01


def test_a_coupling_capacitor_leaves_the_edge_alone() -> None:
    """A corner at 16 Hz below one at 100 kHz: the edge is that of the upper one, 3.5 µs."""
    stage = Stage(
        "coupled",
        (
            capacitor("C9", "in", "a", 1e-6),
            resistor("R9", "a", "0", 1e4),
            opamp("U1", ("a", "b", "b"), QUICK),
            *pole("1", "b", "out", 3.5e-6),
        ),
    )
    rise, over = read(stage, *BOTH)
    # the tilt of 60 µs at 16 Hz is 0.6 %; so far does the top lie below the crest
    assert rise == pytest.approx(3.5e-6, rel=0.03)
    assert over == pytest.approx(0.0, abs=0.007)


OHMS, FARAD = 1e3, 1e-10
PHASE_SHIFT = 1.0 / (2.0 * math.pi * OHMS * FARAD * math.sqrt(6.0))


def phase_shift(gain: float) -> Stage:
    """Three sections of a series capacitor and a resistor around an inverting gain."""
    sections = [("out", "a"), ("a", "b"), ("b", "c")]
    net = [capacitor(f"C{k}", x, y, FARAD) for k, (x, y) in enumerate(sections)]
    net += [resistor(f"R{k}", y, "0", OHMS) for k, (_, y) in enumerate(sections)]
    # the third section is buffered, so that the gain does not load it
    return Stage(
        "phase shift",
        (
            *net,
            opamp("U1", ("c", "d", "d"), QUICK),
            resistor("R4", "d", "m", 1e4),
            resistor("R5", "m", "out", 1e4 * gain),
            opamp("U2", ("0", "m", "out"), QUICK),
            resistor("R6", "in", "m", 1e5),
        ),
    )


def test_a_phase_shift_oscillator_needs_a_gain_of_29() -> None:
    """Barkhausen: it swings at 1/2πRC√6 = 650 kHz with a gain above 29, and dies away below."""
    run = Engine().run
    found = alone(probe(phase_shift(31.0)), run)
    assert found is not None
    assert found.frequency == pytest.approx(PHASE_SHIFT, rel=0.05)
    assert alone(probe(phase_shift(26.0)), run) is None


def test_a_unit_that_swings_has_no_reading_under_drive() -> None:
    stage = phase_shift(40.0)
    for reading in (Reading("thd", frequency=1e3), Reading("rise time")):
        with pytest.raises(Oscillates, match=r"oscillates at [56]\d0 kHz") as caught:
            read(stage, reading)
        assert isinstance(caught.value, EngineError)
    # what needs no drive is read as ever, and goes with the refusal of the others
    volts = Reading("dc voltage", at="out")
    assert read(stage, volts)[0] == pytest.approx(0.0, abs=1e-3)
    with pytest.raises(Oscillates) as caught:
        read(stage, Reading("thd", frequency=1e3), volts)
    assert math.isnan(caught.value.values[0])
    assert caught.value.values[1] == pytest.approx(0.0, abs=1e-3)


def test_a_power_amplifier_without_its_compensation_swings() -> None:
    """Common practice: a three-stage amplifier oscillates when its compensation opens."""
    run = Engine().run
    stage = load_stage("output-complementary")
    assert alone(probe(stage), run) is None
    bare = stage.with_part(replace(stage.part("C5"), value=1e-15))
    found = alone(probe(bare), run)
    assert found is not None
    assert 1e5 < found.frequency < 2e7
    assert found.amplitude > 1e3 * PROBE_STEP


@pytest.mark.parametrize("name", ["phono-two-transistor", "phono-opamp"])
def test_healthy_stages_are_quiet(name: str) -> None:
    assert alone(probe(load_stage(name)), Engine().run) is None


def test_what_counts_as_swinging() -> None:
    """A growing or steady sine does, a decaying one, a drift and noise of nothing do not."""
    time = np.linspace(0.0, 60e-6, 1201)
    sine = np.sin(2.0 * math.pi * 1e6 * time)
    found = swinging(time, 0.5 * sine + 3.0)
    assert found is not None
    assert found.frequency == pytest.approx(1e6, rel=1e-3)
    assert found.amplitude == pytest.approx(0.5, rel=0.06)
    assert swinging(time, sine * np.exp(time / 2e-5)) is not None
    assert swinging(time, sine * np.exp(-time / 2e-5)) is None
    assert swinging(time, 1e-5 * sine) is None
    assert swinging(time, 1.0 - np.exp(-time / 1e-3)) is None

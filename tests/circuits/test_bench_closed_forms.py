"""Small-signal readings of the virtual bench against closed forms of small circuits.

Sources: network theory (dividers, one-pole networks, superposition), worked out beside each check.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import pytest

from circuits.reading import Reading
from circuits.stage import Rail, Stage
from tests.published.read import published
from tests.small import capacitor, db, opamp, parallel, read, resistor

RIAA = published("riaa")

LOW_PASS = Stage("low pass", (resistor("R1", "in", "out", 1e3), capacitor("C1", "out", "0", 1e-7)))
CORNER = 1.0 / (2.0 * math.pi * 1e3 * 1e-7)


def test_gain_counts_from_the_generators_emf() -> None:
    """1 k of source, 2 k in series, 5 k to ground, 20 k of load: a divider."""
    stage = Stage(
        "divider",
        (resistor("R1", "in", "out", 2e3), resistor("R2", "out", "0", 5e3)),
        source_impedance=1e3,
        load=20e3,
    )
    shunt = parallel(5e3, 20e3)
    own, other = read(
        stage,
        Reading("gain", frequency=1e3),
        Reading("gain", frequency=1e3, load=600.0),
    )
    assert own == pytest.approx(db(shunt / (3e3 + shunt)), abs=1e-4)
    shunt = parallel(5e3, 600.0)
    assert other == pytest.approx(db(shunt / (3e3 + shunt)), abs=1e-4)


@pytest.mark.parametrize(
    ("ratio", "level", "degrees"),
    # One pole at f/fc: level and phase, computed from 1/(1 + jx) to the digits shown.
    [(0.1, -0.043, -5.71), (0.5, -0.969, -26.57), (1, -3.010, -45.0), (2, -6.990, -63.43),
     (10, -20.04, -84.29)],
)
def test_one_pole(ratio: float, level: float, degrees: float) -> None:
    frequency = ratio * CORNER
    gain, response, phase = read(
        LOW_PASS,
        Reading("gain", frequency=frequency),
        Reading("response", frequency=frequency, reference=CORNER / 1000.0),
        Reading("phase", frequency=frequency),
    )
    assert gain == pytest.approx(level, abs=0.006)
    assert response == pytest.approx(level, abs=0.006)
    assert phase == pytest.approx(degrees, abs=0.006)


def test_many_frequencies_at_once() -> None:
    """Thirty points through one sweep, each against 1/(1 + jf/fc)."""
    frequencies = [11.0 * 1.31**k for k in range(30)]
    levels = read(LOW_PASS, *(Reading("gain", frequency=f) for f in frequencies))
    for frequency, level in zip(frequencies, levels, strict=True):
        assert level == pytest.approx(db(1.0 / (1.0 + 1j * frequency / CORNER)), abs=2e-4)


def test_coupling_capacitor_with_series_resistance() -> None:
    """1 µF with 50 Ω of its own into 10 k: 10k / (10k + 50 + 1/jωC)."""
    stage = Stage(
        "coupling", (capacitor("C1", "in", "out", 1e-6, 50.0), resistor("R1", "out", "0", 1e4))
    )
    (level, phase) = read(
        stage, Reading("gain", frequency=20.0), Reading("phase", frequency=20.0)
    )
    gain = 1e4 / (1e4 + 50.0 + 1.0 / (2j * math.pi * 20.0 * 1e-6))
    assert level == pytest.approx(db(gain), abs=1e-4)
    assert phase == pytest.approx(math.degrees(cmath.phase(gain)), abs=1e-3)


def equaliser(bass: float, treble: float) -> Stage:
    """Replay curve in two buffered sections: pole at `bass` and zero at 318 µs, pole at `treble`.

    With 318 nF below 1 k the zero is 318 µs, and the pole (1k + R1)·318 nF.
    """
    return Stage(
        "equaliser",
        (
            resistor("R1", "in", "a", bass / 318e-9 - 1e3),
            resistor("R2", "a", "b", 1e3),
            capacitor("C1", "b", "0", 318e-9),
            opamp("U1", ("a", "c", "c")),
            resistor("R3", "c", "out", 1e3),
            capacitor("C2", "out", "0", treble / 1e3),
        ),
    )


def deviations(stage: Stage, frequencies: tuple[float, ...]) -> list[float]:
    return read(stage, *(Reading("riaa deviation", frequency=f) for f in frequencies))


def test_riaa_deviation_of_the_exact_network_is_nothing() -> None:
    for value in deviations(equaliser(3180e-6, 75e-6), (20.0, 50.0, 500.0, 1e3, 2e3, 1e4, 2e4)):
        assert value == pytest.approx(0.0, abs=1e-3)


def test_riaa_deviation_of_networks_that_are_off() -> None:
    """Computed from the time constants; printed to 0.01 dB."""
    astray = RIAA["astray"]
    for part, network in (
        ("treble 20 % low", equaliser(3180e-6, 60e-6)),
        ("bass 20 % low", equaliser(2544e-6, 75e-6)),
    ):
        wanted = astray[part]
        values = deviations(network, tuple(float(f) for f in wanted))
        assert values == pytest.approx(list(wanted.values()), abs=0.006), part


def test_input_impedance() -> None:
    """47 k ∥ 250 pF at 1 and 20 kHz; the generator's own impedance does not count."""
    stage = Stage(
        "input",
        (
            resistor("R1", "in", "0", 47e3),
            capacitor("C1", "in", "0", 250e-12),
            resistor("R2", "in", "out", 1e9),
        ),
        source_impedance=2e3,
    )
    for frequency in (1e3, 20e3):
        expected = abs(1.0 / (1.0 / 47e3 + 2j * math.pi * frequency * 250e-12))
        (ohms,) = read(stage, Reading("input impedance", frequency=frequency))
        assert ohms == pytest.approx(expected, rel=1e-4)


def test_input_impedance_counts_between_input_and_its_return() -> None:
    """What the generator sees: 10 k to ground and 5 Ω in its earth."""
    stage = Stage(
        "earth joint",
        (
            resistor("R1", "in", "0", 1e4),
            resistor("R2", "in", "out", 1e6),
            resistor("R3", "ie", "0", 5.0),
            resistor("R4", "out", "0", 1e6),
        ),
        input_return="ie",
        source_impedance=600.0,
    )
    (ohms,) = read(stage, Reading("input impedance", frequency=1e3))
    # The bench sees 1 Gohm where no load is stated: 1.2e-5 of the value here.
    assert ohms == pytest.approx(parallel(1e4, 2e6) + 5.0, rel=1e-5)


def amplifier(ohms: float, lead: float = 0.0) -> Stage:
    """A source of that output impedance behind a buffer, and a lead."""
    return Stage(
        "source",
        (
            opamp("U1", ("in", "a", "a")),
            resistor("R0", "in", "0", 1e4),
            resistor("R1", "a", "b", ohms),
            resistor("R2", "b", "out", lead or 1e-3),
        ),
        load=8.0,
    )


@pytest.mark.parametrize(("ohms", "factor"), [(0.01, 800.0), (0.5, 16.0), (0.32, 25), (0.16, 50)])
def test_damping_factor_is_load_over_output_impedance(ohms: float, factor: float) -> None:
    """DF = R_L / Z_o, IEC 60268-3 (from memory); the load itself does not shunt the reading."""
    bare = replace(amplifier(ohms), parts=amplifier(ohms).parts[:3], output="b")
    impedance, damping, into_four = read(
        bare,
        Reading("output impedance", frequency=1e3),
        Reading("damping factor", frequency=1e3),
        Reading("damping factor", frequency=1e3, load=4.0),
    )
    # 1 mΩ is the op-amp's own, divided by its loop gain: nothing.
    assert impedance == pytest.approx(ohms, rel=1e-3)
    assert damping == pytest.approx(factor, rel=1e-3)
    assert into_four == pytest.approx(factor / 2.0, rel=1e-3)


def test_leads_spoil_the_damping_factor() -> None:
    """A damping factor of 100 at 8 Ω is 80 mΩ; with 0.1 Ω of lead, 8/0.18 = 44.4."""
    (damping,) = read(amplifier(0.08, 0.1), Reading("damping factor", frequency=1e3))
    assert damping == pytest.approx(44.4, abs=0.05)


def test_output_impedance_from_two_loads() -> None:
    """Z = (V1 − V2)/(V2/R2 − V1/R1): 2.80040 V at 8 Ω and 2.77294 V at 4 Ω are 0.080 Ω."""
    from_paper = (2.80040 - 2.77294) / (2.77294 / 4.0 - 2.80040 / 8.0)
    assert from_paper == pytest.approx(0.080, abs=5e-5)
    stage = replace(amplifier(0.08), parts=amplifier(0.08).parts[:3], output="b")
    open_volts = 2.80040 * 8.08 / 8.0
    eight, four, impedance = read(
        stage,
        Reading("gain", frequency=1e3, load=8.0),
        Reading("gain", frequency=1e3, load=4.0),
        Reading("output impedance", frequency=1e3),
    )
    assert open_volts * 10.0 ** (eight / 20.0) == pytest.approx(2.80040, abs=1e-5)
    assert open_volts * 10.0 ** (four / 20.0) == pytest.approx(2.77294, abs=1e-5)
    assert impedance == pytest.approx(from_paper, rel=1e-3)


RAIL = Stage(
    "rail",
    (
        resistor("R1", "vcc", "out", 10e3),
        capacitor("C1", "out", "0", 10e-6, 2.0),
        resistor("R2", "in", "0", 1e3),
        resistor("R3", "in", "out", 1e9),
    ),
    rails=(Rail("vcc", 24.0, ((100.0, 0.2), (200.0, 0.05)), 100.0),),
)


def test_hum_that_comes_over_the_rail() -> None:
    """Ripple behind 100 Ω through 10 k into 10 µF with 2 Ω: a divider at each line."""
    values = read(RAIL, *(Reading("hum", frequency=f) for f in (100.0, 200.0)))
    for frequency, amplitude, value in zip((100.0, 200.0), (0.2, 0.05), values, strict=True):
        shunt = 2.0 + 1.0 / (2j * math.pi * frequency * 10e-6)
        assert value == pytest.approx(abs(amplitude * shunt / (shunt + 10.1e3)), rel=1e-4)


def test_a_line_that_nothing_carries_is_at_the_meters_floor() -> None:
    (value,) = read(RAIL, Reading("hum", frequency=50.0))
    assert value < 1e-6


def test_hum_of_pick_up_stray_current_and_rail_adds_as_powers() -> None:
    """Pick-up 1 mV in series with the input, 2 µA into the output node, 10 mV on the rail.

    With 1 k of source and 9 k from the input to the output: node impedance 10 k ∥ 30 k to the rail.
    """
    stage = Stage(
        "three ways in",
        (resistor("R1", "in", "out", 9e3), resistor("R2", "vcc", "out", 30e3)),
        rails=(Rail("vcc", 10.0, ((50.0, 10e-3),)),),
        source_impedance=1e3,
        pickup=((50.0, 1e-3), (150.0, 4e-4)),
        stray=(("out", ((50.0, 2e-6),)),),
    )
    fifty, third = read(stage, Reading("hum", frequency=50.0), Reading("hum", frequency=150.0))
    picked, stray, rail = 1e-3 * 0.75, 2e-6 * parallel(10e3, 30e3), 10e-3 * 0.25
    assert fifty == pytest.approx(math.hypot(picked, stray, rail), rel=1e-5)
    assert third == pytest.approx(4e-4 * 0.75, rel=1e-5)


def test_hum_relative_to_a_signal() -> None:
    """100 µV picked up by a divider of one half: 50 µV, under 1 V, 10 mV in, 0.5 W into 8 Ω."""
    stage = Stage(
        "relative",
        (resistor("R1", "in", "out", 4.0), resistor("R2", "out", "0", 8.0)),
        load=8.0,
        pickup=((50.0, 1e-4),),
    )
    kinds = (("output level", 1.0), ("input level", 10e-3), ("power", 0.5))
    values = read(stage, *(Reading("hum", frequency=50.0, level=level) for level in kinds))
    # 0.5 W in 8 Ω is 2 V.
    expected = [db(50e-6), db(50e-6 / 5e-3), db(50e-6 / 2.0)]
    assert values == pytest.approx(expected, abs=3e-3)


def test_hum_of_an_earth_joint() -> None:
    """3 µA of earth-loop current across a joint of 50 Ω stands in series with the input."""
    stage = Stage(
        "joint",
        (
            resistor("R1", "ie", "0", 50.0),
            resistor("R2", "in", "0", 47e3),
            resistor("R3", "in", "out", 1.0),
        ),
        input_return="ie",
        source_impedance=1e3,
        stray=(("ie", ((50.0, 3e-6),)),),
    )
    (value,) = read(stage, Reading("hum", frequency=50.0))
    # The loop 50 Ω, 1 k, 47 k divides; the current splits between the joint and the loop.
    joint = 3e-6 * parallel(50.0, 48e3)
    assert value == pytest.approx(joint * 47e3 / 48e3, rel=1e-3)

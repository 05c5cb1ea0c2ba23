"""Output stages and op-amps under drive: crossover, sagging rails, loop gain, slewing.

Sources: the exponentials of two transistors with their emitter resistors, solved here by
arithmetic; feedback theory; the Fourier series of a triangle.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize

from circuits.bench import driven
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.device import load_devices
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from tests.small import THERMAL_VOLT, capacitor, db, device, opamp, read, resistor

JUNCTION = {"IS": 1e-11, "BF": 1e5}
EMITTER = 0.22


def follower(
    drop: float, before: tuple[str, str] = ("in", "in"), base: float = 0.0
) -> tuple[Part, ...]:
    """Complementary follower, .22 Ω each, biased by ideal sources to a drop across each of them.

    `base` is the greatest current that these give, A; 0 for no limit.
    """
    battery = BATTERY | ({"output current": base, "output resistance": 10.0, "gbw": 1e8,
                          "swing": 15.0} if base else {})
    current = drop / EMITTER
    half = THERMAL_VOLT * math.log(current / JUNCTION["IS"]) + drop
    top, bottom = before
    return (
        device("U1", "opamp", (top, "bp", "bp"), battery | {"offset": half}),
        device("U2", "opamp", (bottom, "bn", "bn"), battery | {"offset": -half}),
        device("Q1", "npn", ("vcc", "bp", "ep"), JUNCTION),
        device("Q2", "pnp", ("vee", "bn", "en"), JUNCTION),
        resistor("R1", "ep", "out", EMITTER),
        resistor("R2", "out", "en", EMITTER),
    )


BATTERY = dict(opamp("U", ("a", "b", "c")).parameters) | {"swing": 1e3}
RAILS = (Rail("vcc", 60.0), Rail("vee", -60.0))
CROSSOVER = {
    1e-3: (1.78, 0.98, 0.45, 0.24),
    26e-3: (0.012, 0.062, 0.022, 0.031),
    100e-3: (0.0006, 0.007, 0.13, 0.13),
}
"""Distortion, %, at 0.1, 1, 10 and 50 W in 8 Ω by the drop at rest across .22 Ω (V).

Computed from the two exponentials and .22 Ω; printed to two digits, held to 10 %.
"""


def solved(drop: float, watts: float) -> float:
    """Distortion of that follower by its own equations: two exponentials, three resistors.

    V_be + .22 Ω · I of the upper transistor is half the bias plus x, of the lower one minus x;
    x is input less output. The load takes the difference of the currents. Given a current on a fine
    grid, everything else follows by arithmetic; harmonics come from a sum over one period.
    """
    half = THERMAL_VOLT * math.log(drop / EMITTER / JUNCTION["IS"]) + drop
    upper = np.concatenate([[0.0], np.geomspace(1e-13, 20.0, 40000)])
    falls = THERMAL_VOLT * np.log1p(upper / JUNCTION["IS"]) + EMITTER * upper
    # the same curve read backwards gives the lower transistor
    x = falls - half
    lower = np.interp(half - x, falls, upper)
    output = 8.0 * (upper - lower)
    rising = output >= 0.0
    outputs = np.concatenate([-output[rising][::-1], output[rising]])
    inputs = np.concatenate([-(output + x)[rising][::-1], (output + x)[rising]])
    phase = 2.0 * math.pi * np.arange(4096) / 4096
    level = math.sqrt(watts * 8.0)

    def lines(crest: float) -> np.ndarray:
        wave = np.interp(crest * np.cos(phase), inputs, outputs)
        return np.abs(np.fft.rfft(wave))[:11] / 2048

    crest = scipy.optimize.brentq(
        lambda a: np.linalg.norm(lines(a)) / math.sqrt(2.0) - level, 0.5 * level, 4.0 * level + 2.0
    )
    found = lines(crest)
    return float(np.linalg.norm(found[2:]) / found[1])


@pytest.mark.parametrize("drop", list(CROSSOVER))
def test_crossover(drop: float) -> None:
    stage = Stage("follower", follower(drop), rails=RAILS, load=8.0)
    readings = [
        Reading("thd", frequency=1e3, level=("power", watts)) for watts in (0.1, 1.0, 10.0, 50.0)
    ]
    for reading, found, wanted in zip(
        readings, read(stage, *readings), CROSSOVER[drop], strict=True
    ):
        assert reading.level is not None
        assert found == pytest.approx(solved(drop, reading.level[1]), rel=0.02, abs=2e-6)
        digit = 0.5 * 10.0 ** math.floor(math.log10(wanted) - 1.0 + 1e-9)
        assert found * 100.0 == pytest.approx(wanted, rel=0.1, abs=digit)


def test_loop_gain_divides_distortion() -> None:
    """Loop gain 100 around the follower: gain −0.086 dB, distortion ÷ 101 at the same output."""
    before = opamp("U3", ("in", "out", "d"), {"gain": 100.0, "gbw": 2e7})
    closed = Stage(
        "closed", (before, *follower(26e-3, ("d", "d"))), rails=RAILS, load=8.0
    )
    opened = Stage("open", follower(26e-3), rails=RAILS, load=8.0)
    watts = Reading("thd", frequency=1e3, level=("power", 1.0))
    gain, inside = read(closed, Reading("gain", frequency=1e3), watts)
    bare, outside = read(opened, Reading("gain", frequency=1e3), watts)
    # the follower's own gain is part of the loop gain
    loop = 100.0 * 10.0 ** (bare / 20.0)
    assert gain == pytest.approx(db(loop / (1.0 + loop)), abs=1e-3)
    assert db(100.0 / 101.0) == pytest.approx(-0.086, abs=5e-4)
    assert outside / inside == pytest.approx(1.0 + loop, rel=0.03)


def test_a_rail_sags_to_where_the_drive_takes_it() -> None:
    """What clips does so at the rail as it stands after many periods.

    The reference is the same follower on stiff rails, lower by resistance times mean current. A
    half wave of 10 V into 8 Ω draws 10/8π = 0.4 A from either rail.
    """
    parts, level = follower(1e-3, base=2e-3), ("input level", 10.0 / math.sqrt(2.0))
    thd = Reading("thd", frequency=1e3, level=level)

    def rails(volts: float, ohms: float = 0.0) -> tuple[Rail, ...]:
        return Rail("vcc", volts, resistance=ohms), Rail("vee", -volts, resistance=ohms)

    reservoirs = (capacitor("C1", "vcc", "0", 20e-3), capacitor("C2", "0", "vee", 20e-3))
    slow = Stage("slow", (*parts, *reservoirs), rails=rails(12.0, 6.0), load=8.0)
    wanted = Reading("supply current", rail="vcc", frequency=1e3, level=level)
    current, found = read(slow, wanted, thd)
    assert current == pytest.approx(10.0 / 8.0 / math.pi, rel=0.1)
    (lower,) = read(Stage("low", parts, rails=rails(12.0 - 6.0 * current), load=8.0), thd)
    (stiff,) = read(Stage("stiff", parts, rails=rails(12.0), load=8.0), thd)
    # a rail is taken as settled to 0.2 %, which clipping magnifies
    assert found == pytest.approx(lower, rel=0.06)
    assert stiff < 0.6 * found


def test_slewing_makes_a_triangle() -> None:
    """1 V/µs at 40 kHz cannot follow 10 V (2πfV = 2.5 V/µs): a triangle of S/4f = 6.25 V."""
    limited = {"slew rate": 1e6, "gbw": 1e8, "swing": 100.0}
    parts = (opamp("U1", ("in", "out", "out"), limited), resistor("R1", "in", "0", 1e4))
    stage = Stage("slow", parts)
    level = ("input level", 10.0)
    third, fifth = read(
        stage,
        Reading("harmonic", order=3, frequency=40e3, level=level),
        Reading("harmonic", order=5, frequency=40e3, level=level),
    )
    assert third == pytest.approx(db(1.0 / 9.0), abs=0.3)
    assert fifth == pytest.approx(db(1.0 / 25.0), abs=0.6)
    found = alone(driven.drive(stage, driven.tone(40e3), 10.0 * math.sqrt(2.0)), Engine().run)
    assert found.peak == pytest.approx(6.25, rel=0.02)
    # below its limit it is as linear as it was
    (quiet,) = read(stage, Reading("thd", frequency=1e3, level=("input level", 1.0)))
    assert quiet < 1e-5


def test_the_output_current_of_an_opamp_ends() -> None:
    """20 mA into 100 Ω are 2 V, at a drive of 10 V."""
    limited = {"output current": 20e-3, "output resistance": 50.0, "gbw": 1e8}
    stage = Stage(
        "weak",
        (opamp("U1", ("in", "out", "out"), limited), resistor("R1", "in", "0", 1e4)),
        load=100.0,
    )
    found = alone(driven.drive(stage, driven.tone(1e3), 10.0), Engine().run)
    assert found.peak == pytest.approx(2.0, rel=0.01)
    (quiet,) = read(stage, Reading("thd", frequency=1e3, level=("input level", 0.5)))
    assert quiet < 1e-4


def shipped(name: str, load: float) -> Stage:
    """A follower of a device that ships."""
    model = dict(load_devices()[name].parameters)
    parts = (device("U1", "opamp", ("in", "out", "out"), model), resistor("R1", "in", "0", 1e4))
    return Stage("follower", parts, load=load)


@pytest.mark.parametrize(("name", "load", "volts"), [
    ("general-opamp", 2e3, 12.0), ("audio-opamp", 600.0, 10.0),
])
def test_op_amps_drive_what_data_sheets_test_them_with(
    name: str, load: float, volts: float
) -> None:
    """±12 V into 2 k; of one made for lines ±10 V into 600 Ω (data sheets of the classes)."""
    level = ("output level", volts / math.sqrt(2.0))
    (found,) = read(shipped(name, load), Reading("thd", frequency=1e3, level=level))
    assert found < 1e-3


@pytest.mark.parametrize("name", ["general-opamp", "audio-opamp"])
def test_op_amps_do_not_drive_a_loudspeaker(name: str) -> None:
    """Short-circuit currents of these classes are 20 to 60 mA (data sheets, from memory)."""
    found = alone(driven.drive(shipped(name, 8.0), driven.tone(1e3), 10.0), Engine().run)
    assert 20e-3 * 8.0 < found.peak < 60e-3 * 8.0

"""Steady states under drive by harmonic balance, against closed forms and transient runs.

Sources: a junction's exponential driven by one and by two cosines (modified Bessel functions: the
generating function e^(a cos θ) = ΣI_n(a) e^(jnθ)), the square law of a junction field-effect
transistor (trigonometry), a mean current that a slow rail settles at, and plain ngspice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import scipy.special

from circuits.batch.engine import Many
from circuits.bench import distortion, driven
from circuits.bench.driven import Driven, Tones
from circuits.bench.engine import Engine
from circuits.bench.steps import Steps, abreast, alone
from circuits.errors import EngineError
from circuits.load import load_stage
from circuits.signals import waveform
from circuits.stage import Rail, Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.small import KELVIN, capacitor, device, resistor

THERMAL_VOLT = 1.38064852e-23 * KELVIN / 1.6021766208e-19
"""With the constants of 2014 that ngspice has (from memory), since an exponent magnifies them."""
EXPONENTIAL = Stage(
    "exponential",
    (
        device("Q1", "npn", ("out", "in", "vee"), {"IS": 1e-14, "BF": 1e9}),
        resistor("R1", "vcc", "out", 1e3),
    ),
    rails=(Rail("vcc", 12.0), Rail("vee", -0.45)),
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
HEARD = 1e-5
"""Lines below −100 dB are no reading."""
SETTLED = 2e-4
"""Of a rail's volts."""
NEAR = 0.1
"""dB that a line may differ by from a transient run."""


def found(flows: Sequence[Steps[Driven]]) -> list[Driven]:
    """What flows come to in the batch; each must have its steady state from there."""
    many = Many(Engine().run)
    runs = []
    for one in abreast(flows, many.run):
        assert isinstance(one, Driven)
        assert one.cycle is not None, many.count
        runs.append(one)
    return runs


def balanced(stage: Stage, tones: Tones, *crests: float) -> list[Driven]:
    """Steady states of a stage at some drives, V peak, all at once."""
    return found([driven.drive(stage, tones, crest) for crest in crests])


def worst(mine: Driven, theirs: Driven) -> float:
    """How far lines of the output that are heard differ, dB."""
    ours, others = (np.abs(one.spectrum.amplitudes[: waveform.HIGHEST]) for one in (mine, theirs))
    kept = others > HEARD * others.max()
    return float(np.abs(20.0 * np.log10(ours[kept] / others[kept])).max())


def settled(stage: Stage, tones: Tones, crest: float) -> Driven:
    """A transient run on rails that have settled, to far less than what readings ask for."""
    generator = distortion.Generator(stage, tones, 0.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(driven, "_SAG", SETTLED)
        patch.setattr(driven, "_MODEST_SAG", SETTLED)
        for _ in range(8):
            one = alone(generator.at(crest), Engine().run)
            if one.settled:
                return one
    raise AssertionError("the rails do not settle")


# -- closed forms ----------------------------------------------------------------------------------


@pytest.mark.parametrize("frequency", [20.0, 1e3, 20e3])
def test_exponential_by_bessel_functions(frequency: float) -> None:
    """Harmonic n over the fundamental is I_n(A/V_T) / I_1(A/V_T), each drive with its own."""
    crests = (1e-3, 5e-3, 26e-3, 60e-3)
    for crest, one in zip(crests, balanced(EXPONENTIAL, driven.tone(frequency), *crests),
                          strict=True):
        sizes = np.abs(one.spectrum.amplitudes[:10])
        bessel = scipy.special.iv(np.arange(1, 11), crest / THERMAL_VOLT)
        # the milliohm of the rail is left out of the closed form
        assert sizes / sizes[0] == pytest.approx(bessel / bessel[0], rel=5e-5, abs=1e-9)


def test_two_tones_by_bessel_functions() -> None:
    """Line m·f1 + n·f2 is I_m(a)·I_n(b) of what I_0(a)·I_1(b) is of f2; none of the run's floor."""
    tones = driven.two_tones(60.0, 7e3, 4.0)
    (one,) = balanced(EXPONENTIAL, tones, 20e-3)
    a, b = (crest / THERMAL_VOLT for crest in tones.crests(20e-3))
    iv = scipy.special.iv
    high = one.spectrum.at(7e3)
    for m, n in ((1, 0), (2, 0), (1, 1), (-1, 1), (2, 1), (-2, 1), (3, 1), (0, 2), (1, 2)):
        share = one.spectrum.at(abs(60.0 * m + 7e3 * n)) / high
        assert share == pytest.approx(iv(m, a) * iv(n, b) / (iv(0, a) * iv(1, b)), rel=2e-5)


def test_square_law_has_a_second_harmonic_and_no_other() -> None:
    """(V0 + v)²: HD2 = A/4V0, nothing above; a transient run has a floor of −110 dB there."""
    for crest, one in zip((0.01, 0.3), balanced(SQUARE, driven.tone(1e3), 0.01, 0.3), strict=True):
        shares = np.abs(one.spectrum.amplitudes / one.spectrum.amplitudes[0])
        assert shares[1] == pytest.approx(crest / (4.0 * V0), rel=1e-5)
        assert shares[2:].max() < 1e-7


def test_a_slow_rail_is_where_it_settles() -> None:
    """A square law draws β(V0² + A²/2); behind 200 Ω and 1000 µF that takes 200 periods to come."""
    slow = replace(
        SQUARE,
        parts=(*SQUARE.parts, capacitor("C1", "vcc", "0", 1e-3)),
        rails=(Rail("vcc", 20.0, resistance=200.0), SQUARE.rails[1]),
    )
    (one,) = balanced(slow, driven.tone(1e3), 1.0)
    drawn = 1e-3 * (V0**2 + 0.5)
    rail = 20.0 - 200.0 * drawn
    leak = (rail - 2e3 * drawn) / 1e6
    assert one.settled
    assert one.currents[0] == pytest.approx(drawn + leak, rel=2e-4)


# -- transient runs --------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "crest", "faults"), [
    ("phono-two-transistor", 7e-3, [("C4", "leakage", 1e3), ("R7", "drift up", 1.5)]),
    ("line-triode", 0.1, [("R5", "drift up", 1.5)]),
    ("output-complementary", 0.15, [("R8", "drift up", 1.2), ("C8", "open", 1.0)]),
])
def test_lines_are_those_of_a_transient_run(
    name: str, crest: float, faults: list[tuple[str, str, float]]
) -> None:
    """0.1 dB down to −100 dB, on rails that have settled; and currents within 0.1 %."""
    stage = load_stage(name)
    units = [stage, *(inject(stage, Fault(*fault), stage) for fault in faults)]
    tones = driven.tone(1e3)
    for unit, one in zip(units, found([driven.drive(u, tones, crest) for u in units]), strict=True):
        other = settled(unit, tones, crest)
        assert worst(one, other) < NEAR
        assert one.currents == pytest.approx(other.currents, rel=1e-3)
        assert one.peak == pytest.approx(other.peak, rel=3e-3)


def test_a_level_is_searched_for_abreast() -> None:
    """Units of different gain come to the same level, each by a drive of its own."""
    stage = load_stage("line-two-transistor")
    units = [inject(stage, Fault("R5", "drift up", size), stage) for size in (1.1, 1.5, 2.0)]
    tones, level = driven.tone(1e3), ("output level", 2.0)
    flows = [distortion.at_level(distortion.Generator(unit, tones, 0.0), level) for unit in units]
    runs = found(flows)
    assert len({round(one.crest, 6) for one in runs}) == len(units)
    for unit, one in zip(units, runs, strict=True):
        assert one.spectrum.rms == pytest.approx(2.0, rel=6e-3)
        assert worst(one, settled(unit, tones, one.crest)) < NEAR


def test_what_has_no_steady_state_there_is_run_and_counted() -> None:
    """A unit that is driven into the rails by a hundred times what it bears."""
    stage = load_stage("phono-two-transistor")
    tones = driven.tone(1e3)
    many = Many(Engine().run)
    (mine,) = abreast([driven.drive(stage, tones, 2.0)], many.run)
    assert not isinstance(mine, EngineError)
    assert many.count.others == {"no steady state": 1}
    plain = alone(driven.drive(stage, tones, 2.0), Engine().run)
    assert np.array_equal(mine.spectrum.amplitudes, plain.spectrum.amplitudes)

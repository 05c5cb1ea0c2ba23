"""Crosstalk of two channels: closed forms, a second simulator, and facts of the trade."""

from __future__ import annotations

import cmath
import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.optimize import brentq

from circuits import pair
from circuits.bench.analysis import Response, SmallSignal
from circuits.bench.crosstalk import both
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.bench.stiffness import slope, sounded
from circuits.bench.take import take
from circuits.circuit import Circuit
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import Rail, Stage, Supply
from circuits.supply import RESERVOIR, Filter, Regulator, drawn
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.circuits.test_gnucap import number
from tests.diodes import PULSE, forward
from tests.small import capacitor, db, device, parallel, resistor

OPEN_LOAD = 2e-4
"""dB that the 1 Gohm of an open output makes in circuits of some 10 kohm."""


def crosstalk(stage: Stage, frequency: float = 1e3, beside: Stage | None = None) -> float:
    (value,) = take(stage, [Reading("crosstalk", frequency=frequency)], beside)
    return float(value)


# -- one resistance in common ----------------------------------------------------------------------

SOURCE, ARM, FOOT = 1e3, 9e3, 10e3


def divider(common: float, foot: float = FOOT) -> Stage:
    """A divider whose foot stands on a resistance to ground that both channels have."""
    parts = (resistor("R1", "in", "out", ARM), resistor("R2", "out", "m", foot),
             resistor("R3", "m", "0", common))
    return Stage("divider", parts, source_impedance=SOURCE, shared=("R3",))


@pytest.mark.parametrize("common", [0.01, 10.0, 1e3, 50e3])
def test_two_dividers_on_one_ground_resistance(common: float) -> None:
    """Kirchhoff: the driven divider feeds the node in common, where the idle one lies beside it."""
    whole = SOURCE + ARM + FOOT
    lower = parallel(common, whole)
    middle = lower / (whole + lower)
    driven = middle + (1.0 - middle) * FOOT / whole
    idle = middle * (SOURCE + ARM) / whole
    assert crosstalk(divider(common)) == pytest.approx(db(idle / driven), abs=OPEN_LOAD)


def test_each_channel_has_its_own_parts() -> None:
    """The channel that listens has a foot of its own: 1k, where the driven one has 10k."""
    ears, common = 1e3, 100.0
    idle_ohms, whole = SOURCE + ARM + ears, SOURCE + ARM + FOOT
    lower = parallel(common, idle_ohms)
    middle = lower / (whole + lower)
    driven = middle + (1.0 - middle) * FOOT / whole
    idle = middle * (SOURCE + ARM) / idle_ohms
    found = crosstalk(divider(common, ears), beside=divider(common))
    assert found == pytest.approx(db(idle / driven), abs=OPEN_LOAD)


def test_nothing_in_common_is_no_reading() -> None:
    with pytest.raises(InputError, match="share nothing") as caught:
        crosstalk(replace(divider(1.0), shared=()))
    assert "shared: [" in caught.value.expected


# -- a rail in common ------------------------------------------------------------------------------

DRAIN = 10e3
FET = {"VTO": -2.0, "BETA": 1e-3, "LAMBDA": 0.0}


def amplifier(rail: Rail, shared: tuple[str, ...] = ("vcc",)) -> Stage:
    """A field-effect transistor that takes no notice of its drain: current is gm' times e.m.f.

    The driven one's current passes drain resistor and rail, the idle one's is still, so its output
    is what the rail moves: crosstalk = Z / (R + Z), whatever gm' is.
    """
    parts = (device("J1", "njf", ("out", "in", "s"), FET), resistor("R1", "in", "0", 1e6),
             resistor("R2", "s", "0", 2e3), resistor("R3", "vcc", "out", DRAIN))
    return Stage("amplifier", parts, rails=(rail,), source_impedance=1e3, shared=shared)


@pytest.mark.parametrize("ohms", [0.5, 20.0, 1e3])
@pytest.mark.parametrize("frequency", [20.0, 1e3, 20e3])
def test_two_amplifiers_on_one_rail(ohms: float, frequency: float) -> None:
    stage = amplifier(Rail("vcc", 24.0, resistance=ohms))
    assert crosstalk(stage, frequency) == pytest.approx(db(ohms / (DRAIN + ohms)), abs=1e-3)


def test_ideal_rails_and_rails_of_their_own_pass_nothing() -> None:
    """Common practice: dual supplies are bought for that. -140 dB stands for nothing."""
    assert crosstalk(amplifier(Rail("vcc", 24.0))) < -139.0
    own = amplifier(Rail("vcc", 24.0, resistance=1e3), shared=("R9",))
    earthed = replace(own, parts=(*own.parts, resistor("R9", "e", "0", 1.0),
                                  resistor("R10", "e", "vcc", 1e6)))
    assert crosstalk(earthed) < -100.0
    assert crosstalk(replace(earthed, shared=("vcc", "R9"))) > -25.0


def test_a_dead_channel_is_no_crosstalk() -> None:
    """Nothing of the generator arrives: what leaks of it, -27 dB of next to nothing, is no figure.

    1e15 ohm in the driven channel pass 1 fA a volt: 11 pV in it, 0.5 pV in the other.
    """
    stage = divider(1e3)
    dead = stage.with_part(replace(stage.part("R1"), value=1e15))
    assert crosstalk(stage, beside=dead) == -140.0


# -- a supply in common ----------------------------------------------------------------------------

AMPERES, WINDING, FARADS, ESR, VOLTS = 40e-3, 5.0, 1000e-6, 0.1, 24.0


def supply(rectifier: str = "full-wave") -> Supply:
    return drawn(rectifier, FARADS, AMPERES, WINDING, ESR)


def worn(made: Supply, farads: float) -> Supply:
    parts = tuple(replace(p, value=farads) if p.name == RESERVOIR else p for p in made.parts)
    return replace(made, parts=parts)


def averaged(rectifier: str) -> float:
    """Slope of a rectifier on a large reservoir, ohm.

    Each pulse is that of (V̂ cos φ - V)/R between -θ and θ, so the mean current is
    n·V̂/(πR)·(sin θ - θ cos θ) for n pulses a cycle, and -dV/dI = πR/(nθ) (derivative under the
    integral; V̂ cos θ = V, the diodes' drop counted to V).
    """
    pulses, diodes = (1 if rectifier == "half-wave" else 2), (2 if rectifier == "bridge" else 1)
    load = math.pi * WINDING * AMPERES / (pulses * (VOLTS + forward(PULSE) * diodes))
    angle = float(brentq(lambda t: math.tan(t) - t - load, 1e-6, 1.5))
    return math.pi * WINDING / (pulses * angle)


@pytest.mark.parametrize("rectifier", ["half-wave", "full-wave", "bridge"])
def test_the_winding_counts_for_the_time_that_it_conducts(rectifier: str) -> None:
    """Above the closed form by the diodes' own resistance, some 0.3 to 0.6 ohm of 5 each."""
    found = slope(worn(supply(rectifier), 0.02), VOLTS, 50.0)
    diodes = 2 if rectifier == "bridge" else 1
    assert 1.01 < found / averaged(rectifier) < 1.0 + 0.13 * diodes


def impedance(farads: float, frequency: float, slope_ohms: float) -> complex:
    """Reservoir beside rectifier and load."""
    reservoir = ESR + 1.0 / (2j * math.pi * frequency * farads)
    return 1.0 / (1.0 / reservoir + 1.0 / slope_ohms + AMPERES / VOLTS)


@pytest.mark.parametrize(
    ("left", "frequency", "allowed"),
    [
        (1.0, 20.0, 0.5), (1.0, 100.0, 0.02), (1.0, 1e3, 0.01), (1.0, 10e3, 0.01),
        (0.3, 100.0, 0.2), (0.3, 1e3, 0.01), (0.3, 10e3, 0.01), (0.1, 1e3, 0.05),
    ],
)
def test_crosstalk_of_a_supply_in_common(left: float, frequency: float, allowed: float) -> None:
    """Z/(R + Z), with the rectifier's slope by the closed form.

    That is of a large reservoir and without the diodes' own resistance, so it is less exact the
    more of Z it makes. The bench has a milliohm in every rail.
    """
    made = worn(supply(), left * FARADS)
    z = impedance(left * FARADS, frequency, averaged("full-wave")) + 1e-3
    found = crosstalk(amplifier(Rail("vcc", VOLTS, supply=made)), frequency)
    assert found == pytest.approx(db(abs(z / (DRAIN + z))), abs=allowed)


@pytest.mark.parametrize("frequency", [20.0, 100.0, 1e3])
def test_a_supply_beside_a_capacitor(frequency: float) -> None:
    """Each channel has 470 µF on the rail: three capacitances add, and nothing resonates."""
    stage = amplifier(Rail("vcc", VOLTS, supply=supply()))
    local = replace(stage, parts=(*stage.parts, capacitor("C9", "vcc", "0", 470e-6, 0.2)))
    own = 0.2 + 1.0 / (2j * math.pi * frequency * 470e-6)
    rail = impedance(FARADS, frequency, averaged("full-wave")) + 1e-3
    z = 1.0 / (1.0 / rail + 2.0 / own)
    assert crosstalk(local, frequency) == pytest.approx(db(abs(z / (DRAIN + z))), abs=0.2)


def test_a_dry_reservoir_raises_crosstalk_at_low_frequencies() -> None:
    """Common practice: a worn reservoir mixes the bass of both channels, 6 dB an octave down.

    To a tenth of its capacitance: 20 dB where it is a capacitor, nothing where it is its ESR.
    """
    rail = Rail("vcc", VOLTS, supply=drawn("full-wave", 10e-3, AMPERES, WINDING, 1.0))
    assert rail.supply is not None
    dry = replace(rail, supply=worn(rail.supply, 1e-3))
    low, octave, high = (crosstalk(amplifier(dry), f) for f in (20.0, 40.0, 10e3))
    fresh_low, fresh_high = (crosstalk(amplifier(rail), f) for f in (20.0, 10e3))
    assert 4.5 < low - octave < 6.1
    assert 14.0 < low - fresh_low < 20.0
    assert high == pytest.approx(fresh_high, abs=0.1)


def test_what_is_left_after_a_filter() -> None:
    """100 ohm and 1000 µF after the reservoir: at 100 Hz the second capacitor, 1.6 ohm, is all."""
    made = drawn("full-wave", FARADS, AMPERES, WINDING, ESR, filter_=Filter(100.0, 470e-6, 0.1))
    for frequency in (100.0, 1e3, 10e3):
        first = 100.0 + impedance(FARADS, frequency, averaged("full-wave")).real
        second = 0.1 + 1.0 / (2j * math.pi * frequency * 470e-6)
        expected = 1.0 / (1.0 / first + 1.0 / second + AMPERES / VOLTS)
        found = sounded(Rail("vcc", VOLTS, supply=made), 50.0, frequency)
        assert found.frequency == frequency
        assert abs(found.impedance - expected) < 0.01 * abs(expected)


def test_a_regulator_is_stiff_whatever_its_reservoir() -> None:
    """An emitter follower has 1/gm, 26 mV over 40 mA, and what its base is fed from over beta."""
    about = Regulator(24.7, 1e3, 34.0, capacitor=100e-6, transistor="power-npn")
    made = drawn("full-wave", FARADS, AMPERES, WINDING, ESR, regulator=about)
    for left in (1.0, 0.3):
        found = sounded(Rail("vcc", VOLTS, supply=worn(made, left * FARADS)), 50.0, 1e3)
        assert 0.6 < abs(found.impedance) < 2.0


# -- a second simulator ----------------------------------------------------------------------------


def by_gnucap(net: Circuit, ends: tuple[str, str], frequency: float, folder: Path) -> complex:
    """Output of the listening channel over that of the driven one, by Debian's gnucap."""
    lines = [
        f"{e.name} {' '.join(e.nodes)} dc 0 ac 1" if e.name == pair.DRIVEN else e.line()
        for e in net.elements
    ]
    wanted = " ".join(f"vr({end}) vi({end})" for end in ends)
    deck = ["two channels", *lines, *(model.line() for model in net.models),
            ".options numdgt=9 reltol=1e-9 abstol=1e-15 vntol=1e-12 itl1=1000 gmin=1e-12", ".op",
            f".print ac {wanted}", f".ac {frequency!r} {frequency!r} 1", ".end", ""]
    path = folder / "pair.ckt"
    path.write_text("\n".join(deck), encoding="ascii")
    run = subprocess.run(["gnucap", "-b", str(path)], capture_output=True, text=True, check=True,
                         timeout=60, stdin=subprocess.DEVNULL)
    assert "what's this" not in run.stdout + run.stderr
    last = [number(word) for word in run.stdout.splitlines()[-1].split()]
    assert last[0] == pytest.approx(frequency)
    return complex(last[1], last[2]) / complex(last[3], last[4])


def corroded(name: str) -> Stage:
    return inject(load_stage(name), Fault("J2", "poor contact", 10.0))


def smoothed() -> Stage:
    """The line amplifier on a filtered supply, its own decoupling gone: a complex impedance."""
    made = drawn("full-wave", 470e-6, 10e-3, 20.0, filter_=Filter(220.0, 22e-6))
    stage = inject(load_stage("line-two-transistor"), Fault("C8", "open"))
    return replace(stage, rails=(Rail("vcc", VOLTS, supply=made),))


def coupled(ohms: float) -> Stage:
    """Phono stages without decoupling, with a resistance in the rail that both have."""
    stage = inject(load_stage("phono-two-transistor"), Fault("C10", "open"))
    return replace(stage, rails=(replace(stage.rails[0], resistance=ohms),), shared=("vcc",))


@pytest.mark.skipif(shutil.which("gnucap") is None, reason="gnucap is not installed")
@pytest.mark.parametrize("frequency", [100.0, 1e3, 10e3])
@pytest.mark.parametrize(
    "stage",
    [
        pytest.param(corroded("phono-opamp"), id="earth joint, op-amp"),
        pytest.param(corroded("line-two-transistor"), id="earth joint, transistors"),
        pytest.param(coupled(100.0), id="rail"),
        pytest.param(replace(load_stage("phono-two-transistor"), shared=("vcc", "R12", "C10")),
                     id="decoupling"),
        pytest.param(smoothed(), id="supply"),
    ],
)
def test_two_channels_in_a_second_simulator(stage: Stage, frequency: float, tmp_path: Path) -> None:
    """The same netlist in gnucap, which shares no code with ours: 0.05 dB and 0.5 degree."""
    options = ("reltol=1e-9", "abstol=1e-15", "vntol=1e-12")
    net = replace(alone(both(stage, stage, frequency), Engine().run), options=options)
    ends = pair.outputs(stage)
    (answer,) = Engine().run(net, [SmallSignal(pair.DRIVEN, (frequency,), ends)])
    assert isinstance(answer, Response)
    ours = complex(answer.nodes[0, 0] / answer.nodes[0, 1])
    theirs = by_gnucap(net, ends, frequency, tmp_path)
    assert db(abs(ours)) == pytest.approx(db(abs(theirs)), abs=0.05)
    assert abs(math.degrees(cmath.phase(ours / theirs))) < 0.5
    assert db(abs(ours)) > -135.0  # not two nothings that agree


# -- what ships ------------------------------------------------------------------------------------


def test_parts_in_common_appear_once() -> None:
    """One rail, earth joint and decoupling with the resistance of its fault; two of all else."""
    stage = replace(load_stage("phono-two-transistor"), shared=("vcc", "J2", "R12", "C10"))
    broken = inject(stage, [Fault("J2", "poor contact", 10.0), Fault("C10", "leakage", 1e4)])
    alone = [e.name for e in circuit(broken).elements]
    both_of = [e.name for e in pair.circuit(broken, broken, {}).elements]
    assert len(both_of) == len(set(both_of))
    # stray mains comes into a node that both have once
    once = [n for n in alone if n.lower().split("_", 1)[-1].startswith(("vcc", "j2", "r12", "c10"))
            or n == "Rstray_ie"]
    assert len(once) == 2 + 1 + 1 + 3 + 1
    assert len(both_of) == 2 * len(alone) - len(once)
    assert set(alone) < set(both_of)


def test_a_corroded_earth_pin_is_heard_in_the_other_channel() -> None:
    """Common practice: one earth for both channels, and its resistance is in both inputs.

    The driven e.m.f. over source and input impedance flows through it: r / (Rs + Zin).
    """
    stage = load_stage("phono-opamp")
    (entry,) = take(stage, [Reading("input impedance", frequency=1e3)])
    for ohms in (10.0, 100.0):
        bad = inject(stage, Fault("J2", "poor contact", ohms))
        expected = db(ohms / (stage.source_impedance + float(entry)))
        assert crosstalk(bad) == pytest.approx(expected, abs=1.0)
    assert crosstalk(stage) < -120.0


def test_the_unit_that_ships_shares_supplies_and_an_earth_pin() -> None:
    unit = load_stage("receiver-chain")
    assert unit.shared == ("small", "plus", "minus", "phono.J2")
    healthy = crosstalk(unit)
    assert healthy < -60.0  # amplifiers of the period are specified at 40 dB and more (DIN 45500)
    bad = inject(unit, Fault("phono.J2", "poor contact", 100.0))
    assert crosstalk(bad) > healthy + 20.0
    assert node(unit.output) == pair.outputs(unit)[0]

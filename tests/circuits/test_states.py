"""A unit in other states than as drawn, against closed forms.

Sources: Ohm, Kirchhoff and Thévenin; Johnson and Nyquist's noise of a resistor; the corner of a
first-order network. Every stage here is a divider or two, so that all of it can be worked out.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from circuits.bench.take import fed, plan, take
from circuits.in_state import in_state
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from circuits.state import OPEN, State
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.small import BOLTZMANN, KELVIN, capacitor, db, parallel, read, resistor

METER = 10e6
"""Ohm of the usual meter, which the readings here have in circuit."""


def divider(*more: Part, volts: float = 12.0, load: float = 0.0) -> Stage:
    """10 k from the rail to the output and 20 k from there to ground."""
    return Stage(
        "divider",
        (resistor("R1", "vcc", "out", 10e3), resistor("R2", "out", "0", 20e3),
         resistor("Rin", "in", "0", 1e3), *more),
        rails=(Rail("vcc", volts),), load=load,
    )


def volts(stage: Stage, state: State, node: str = "out") -> float:
    (value,) = read(stage, Reading("dc voltage", at=node, state=state))
    return value


def shared(upper: float, *lower: float, volts: float = 12.0) -> float:
    """The voltage of a divider."""
    below = parallel(*lower)
    return volts * below / (upper + below)


@pytest.mark.parametrize(
    ("load", "expected"),
    [(0.0, shared(10e3, 20e3, 5e3, METER)), (OPEN, shared(10e3, 20e3, METER)),
     (3e3, shared(10e3, 20e3, 3e3, METER))],
)
def test_a_load_off_or_another_one(load: float, expected: float) -> None:
    assert volts(divider(load=5e3), State(load=load)) == pytest.approx(expected, rel=1e-5)


def test_several_states_in_one_list_of_readings() -> None:
    """Each has its own circuit, and the values stand where their readings do."""
    states = [State(load=OPEN), State(), State(pulled=("R2",)), State(load=OPEN)]
    readings = [Reading("dc voltage", at=at, state=state)
                for at, state in zip(["out", "out", "out", "vcc"], states, strict=True)]
    stage = divider(load=5e3)
    expected = [shared(10e3, 20e3, METER), shared(10e3, 20e3, 5e3, METER),
                shared(10e3, 5e3, METER), 12.0]
    assert list(take(stage, readings)) == pytest.approx(expected, rel=1e-5)
    assert list(take(stage, plan(stage, readings))) == pytest.approx(expected, rel=1e-5)
    assert len({reading.key() for reading in readings}) == 4


def test_a_part_pulled_leaves_what_a_fault_did_to_it_behind() -> None:
    whole = divider()
    ill = inject(whole, Fault("R2", "drift down", 0.5))
    pulled = State(pulled=("R2",))
    assert volts(ill, State()) == pytest.approx(shared(10e3, 10e3, METER), rel=1e-5)
    # where nothing is connected the bench has 1 Gohm
    assert volts(ill, pulled) == pytest.approx(shared(10e3, METER, 1e9), rel=1e-6)


def test_a_lifted_coupling_capacitor_leaks_no_more() -> None:
    """Leaking, it puts its side of the divider onto the next base; lifted, nothing does."""
    stage = divider(capacitor("C1", "out", "b", 1e-6), resistor("R3", "b", "0", 100e3))
    leaky = inject(stage, Fault("C1", "leakage", 50e3))
    source = parallel(10e3, 20e3)
    drop = parallel(100e3, METER) / (source + 50e3 + parallel(100e3, METER))
    assert volts(leaky, State(), "b") == pytest.approx(8.0 * drop, rel=1e-4)
    for pin in ("positive", "negative"):
        lifted = State(lifted=(("C1", pin),))
        assert volts(leaky, lifted, "b") == pytest.approx(0.0, abs=1e-4)
        assert volts(leaky, lifted) == pytest.approx(shared(10e3, 20e3, METER), rel=1e-4)


def test_a_pin_with_a_poor_joint_is_lifted_with_it() -> None:
    """A fault in series with the pin that is lifted: no current through either."""
    stage = divider(capacitor("C1", "out", "0", 1e-6))
    for fault in (Fault("C1", "high esr", 10.0), Fault("C1", "open"), Fault("C1", "short")):
        ill = inject(stage, fault)
        assert volts(ill, State(lifted=(("C1", "negative"),))) == pytest.approx(
            shared(10e3, 20e3, METER), rel=1e-4), fault


def test_the_pin_of_a_transistor_is_lifted() -> None:
    """With its base off the first transistor draws nothing, and its collector rises to the rail.

    But for what the meter takes, of 10 Mohm behind 220 k.
    """
    stage = load_stage("phono-two-transistor")
    first = stage.part("Q1")
    rail = stage.rail("vcc").volts
    off = State(lifted=(("Q1", "base"), ("Q2", "base")))
    assert volts(stage, State(), first.nodes[0]) < 0.3 * rail
    assert volts(stage, off, first.nodes[0]) > 0.9 * rail


def test_a_floating_node_shows_what_the_meter_leaves_of_it() -> None:
    """Held by 3.3 Mohm alone, 10 Mohm of meter leave 12·10/13.3 V; held by nothing, none."""
    stage = divider(resistor("R3", "vcc", "f", 3.3e6), resistor("R4", "f", "0", 1e3))
    assert volts(stage, State(pulled=("R4",)), "f") == pytest.approx(12.0 * 10 / 13.3, rel=1e-3)
    assert volts(stage, State(pulled=("R3", "R4")), "f") == pytest.approx(0.0, abs=1e-6)
    lifted = State(lifted=(("R3", "b"), ("R4", "a")))
    assert volts(stage, lifted, "f") == pytest.approx(0.0, abs=1e-3)


def test_a_wire_joins_two_nodes() -> None:
    wired = State(bridged=(("0", "out"),))
    stage = divider()
    assert volts(stage, wired) == pytest.approx(0.0, abs=1e-4)
    (amps,) = read(stage, Reading("supply current", rail="vcc", state=wired))
    assert amps == pytest.approx(12.0 / 10e3, rel=1e-4)


def test_a_good_capacitor_across_an_open_one_brings_its_corner_back() -> None:
    """A first-order low pass: down by 3.01 dB at 1 / (2π·R·C)."""
    stage = Stage("filter", (resistor("R1", "in", "out", 1e3), capacitor("C1", "out", "0", 1e-6)),
                  source_impedance=1e-3)
    corner = 1.0 / (2.0 * math.pi * 1e3 * 1e-6)
    gain = Reading("gain", frequency=corner)
    there = replace(gain, state=State(bypassed=(("C1", 1e-6),)))
    good, ill = stage, inject(stage, Fault("C1", "open"))
    assert read(good, gain)[0] == pytest.approx(db(math.sqrt(0.5)), abs=0.01)
    assert read(ill, gain)[0] == pytest.approx(0.0, abs=0.02)
    assert read(ill, there)[0] == pytest.approx(db(math.sqrt(0.5)), abs=0.02)


@pytest.mark.parametrize(("word", "ohms"), [("", 600.0), ("shorted", 0.0), ("open", math.inf)])
def test_the_noise_of_an_input_shorted_terminated_or_open(word: str, ohms: float) -> None:
    """4·k·T·R·B of what the output sees (Johnson, Nyquist)."""
    stage = Stage("noise", (resistor("R1", "in", "out", 1e3), resistor("R2", "out", "0", 2e3)),
                  source_impedance=600.0)
    seen = 1.0 / (1.0 / (1e3 + ohms) + 1.0 / 2e3)
    expected = math.sqrt(4.0 * BOLTZMANN * KELVIN * seen * (20e3 - 20.0))
    (volts,) = read(stage, Reading("noise", state=State(input=word)))
    assert volts == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bench_supply_holds_its_voltage_or_its_current(sign: float) -> None:
    """0.2 A at most: into 100 ohm it gives 12 V, into 10 ohm 2 V."""
    def stage(ohms: float) -> Stage:
        parts = (resistor("R1", "vcc", "out", ohms), resistor("R2", "out", "0", 1e-3),
                 resistor("Rin", "in", "0", 1e3))
        return Stage("supply", parts, rails=(Rail("vcc", sign * 12.0, ((100.0, 0.1),), 5.0),))

    limited = State(limited=0.2)
    for ohms, rail, amps in ((100.0, 12.0, 0.12), (10.0, 2.0, 0.2)):
        there = [Reading("dc voltage", at="vcc", state=limited),
                 Reading("supply current", rail="vcc", state=limited)]
        found = read(stage(ohms), *there)
        assert found[0] == pytest.approx(sign * rail, rel=5e-3)
        assert found[1] == pytest.approx(amps, rel=5e-3)


def test_a_bench_supply_stands_in_for_a_rail_that_is_low() -> None:
    """The fault is in the unit's own supply, which feeds nothing then."""
    whole = divider(volts=12.0)
    ill = whole.with_rail(replace(whole.rail("vcc"), volts=6.0))
    made = plan(whole, [Reading("dc voltage", at="out", state=State(limited=0.1))])
    assert take(ill, made)[0] == pytest.approx(shared(10e3, 20e3, METER), rel=1e-3)


@pytest.mark.parametrize("share", [0.3, 0.87, 1.1])
def test_on_a_variac_a_resistor_takes_its_share(share: float) -> None:
    """A rectifier's voltage and a resistor's current are in proportion: so is all that is read."""
    parts = (resistor("R1", "vcc", "out", 100.0), resistor("R2", "out", "0", 200.0),
             resistor("Rin", "in", "0", 1e3))
    drawn = Stage("soft", parts, rails=(Rail("vcc", 30.0, ((100.0, 0.3),), 1.0),))
    plain = [Reading("dc voltage", at="out"), Reading("supply current", rail="vcc"),
             Reading("ripple", at="vcc", frequency=100.0)]
    on_variac = [replace(r, state=State(mains=share)) for r in plain]
    stage = fed(drawn, drawn)
    whole, less = read(stage, *plain), read(stage, *on_variac)
    assert whole[0] == pytest.approx(30.0 * 200.0 / 301.0, rel=1e-3)
    assert less == pytest.approx([share * x for x in whole], rel=2e-3)


def test_the_stage_itself_is_left_as_it_was() -> None:
    stage = divider(capacitor("C1", "out", "0", 1e-6))
    before = stage.key()
    in_state(stage, State(OPEN, "open", (("C1", "positive"),), ("R2",), (("0", "in"),),
                          (("C1", 1e-6),), 0.2, 0.5))
    assert stage.key() == before

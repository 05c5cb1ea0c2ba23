"""Rails that follow their load: held against plain ngspice, closed forms and common practice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.behind_rails import rail_source
from circuits.bench.analysis import Analysis, Results
from circuits.bench.loaded import loaded
from circuits.bench.steps import alone
from circuits.bench.take import _engine, fed, take, taking
from circuits.circuit import Circuit
from circuits.elements import built
from circuits.feed import equivalent, pulses
from circuits.load import load_stage
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.rectifier import SWING_OF_LINE, Rectifier
from circuits.stage import Part, Rail, Stage
from circuits.supply import drawn
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.circuits.test_rectifier import simulated, with_ngspice

VOLTS, CURRENT = Reading("dc voltage", at="vcc"), Reading("supply current", rail="vcc")
RIPPLE = Reading("ripple", at="vcc", frequency=100.0)


def resistor(ohms: float, rail: Rail) -> Stage:
    part = Part("R1", "carbon-film", ("vcc", "out"), ohms, 0.05)
    return Stage("load", (part, Part("R2", "carbon-film", ("out", "0"), 1.0, 0.05)),
                 rails=(rail,), load=1e6)


def plain(lines: tuple[tuple[float, float], ...], volts: float = 24.0) -> Rail:
    """A rail to which nothing else is known to be connected."""
    return Rail("vcc", volts, lines, others=0.0)


@with_ngspice
@pytest.mark.parametrize("factor", [0.02, 0.4, 3.0, 6.0])
def test_a_resistor_on_a_rail_gets_what_a_real_supply_gives(factor: float, tmp_path: Path) -> None:
    """The same reservoir and winding in plain ngspice, loaded with a current, as a resistor is."""
    amps, volts = 0.1, 24.0
    for _ in range(3):  # the usual share of this load's resistance
        real = Rectifier(30.0, 0.05 * volts / amps, 1000e-6, 50.0, 2)
        volts, swing = simulated(real, amps, tmp_path)
    rail = plain(((100.0, swing / SWING_OF_LINE),), volts)
    healthy = resistor(volts / amps - 1.0, rail)
    unit = fed(healthy, resistor((volts / amps) / factor - 1.0, rail))
    at, drawn_now, ripple = take(unit, [VOLTS, CURRENT, RIPPLE])
    by_ngspice, so_much = simulated(real, float(drawn_now), tmp_path)
    assert at == pytest.approx(by_ngspice, rel=0.015)
    # the source lies 1 mohm from the node, so ripple arrives as it is
    assert ripple == pytest.approx(so_much / SWING_OF_LINE, rel=0.05)


def test_a_healthy_unit_reads_what_its_file_says() -> None:
    healthy = load_stage("output-complementary")
    asked = [Reading("dc voltage", at="vcc"), RIPPLE, Reading("hum", frequency=100.0)]
    assert take(fed(healthy, healthy), asked) == pytest.approx(take(healthy, asked), rel=1e-12)


@pytest.mark.parametrize(("factor", "turns"), [(1.01, 1), (0.3, 3)])
def test_what_a_unit_draws_is_asked_along_with_its_readings(factor: float, turns: int) -> None:
    """Once for one that draws what a healthy one does; else on rails as `loaded` finds them."""
    healthy = resistor(239.0, plain(((100.0, 0.5),)))
    unit = fed(healthy, resistor(239.0 / factor, healthy.rails[0]))
    asked = [VOLTS, CURRENT, RIPPLE]
    walked: list[int] = []

    def run(net: Circuit, analyses: Sequence[Analysis]) -> Results:
        walked.append(len(analyses))
        return _engine().run(net, analyses)

    found = alone(taking(unit, asked), run)
    assert len(walked) >= turns if turns > 1 else len(walked) == 1
    there = alone(loaded(unit), _engine().run)
    (rail,) = there.rails
    # Ohm's law: from the source by the rail's own least resistance to what hangs on it
    amps = rail.volts / (239.0 / factor + 1.0)
    assert found[0] == pytest.approx(rail.volts, rel=1e-4)
    assert found[1] == pytest.approx(amps, rel=1e-4)
    assert found[2] == pytest.approx(rail.ripple[0][1], rel=1e-3)
    assert (rail.volts == 24.0) is (turns == 1)


def test_units_share_what_is_around_their_parts() -> None:
    """The very elements: what is told of an element is then told once for all units."""
    healthy = load_stage("phono-two-transistor")
    first, second = (
        circuit(inject(healthy, Fault(name, "open", 1e7)), meters=(("out", "0", 1e7),))
        for name in ("R1", "R2")
    )
    mine = {element.name: element for element in first.elements}
    shared = [e for e in second.elements if mine.get(e.name) is e]
    of_parts = {e.name for e in built(healthy.parts)[0]}
    around = [e.name for e in second.elements if e.name not in of_parts]
    assert {e.name for e in shared} >= {n for n in around if not n.startswith(("R_r1", "R_r2"))}
    # a rail of its own has a source of its own
    other = circuit(healthy.with_rail(replace(healthy.rails[0], volts=1.0)))
    (source,) = [e for e in other.elements if e.name == rail_source(healthy.rails[0].name)]
    assert source.value == 1.0


def test_the_rail_of_a_dead_pass_transistor_rises() -> None:
    """Common practice: a small transformer gives a tenth to a quarter more without load."""
    healthy = load_stage("supply-regulated")
    healthy = replace(healthy, rails=tuple(replace(r, others=0.0) for r in healthy.rails))
    dead = fed(healthy, inject(healthy, Fault("Q1", "base open")))
    raw, ripple = take(dead, [Reading("dc voltage", at="raw"),
                              Reading("ripple", at="raw", frequency=100.0)])
    before = take(healthy, [Reading("ripple", at="raw", frequency=100.0)])
    assert 1.10 < raw / 36.0 < 1.25
    assert ripple < 0.3 * before[0]


def test_something_else_on_the_rail_steadies_it() -> None:
    healthy = load_stage("supply-regulated")
    alone = replace(healthy, rails=tuple(replace(r, others=0.0) for r in healthy.rails))
    beside = replace(healthy, rails=tuple(replace(r, others=10.0) for r in healthy.rails))
    asked = [Reading("dc voltage", at="raw")]
    rises = [float(take(fed(s, inject(s, Fault("F1", "open"))), asked)[0]) for s in (alone, beside)]
    assert rises[0] > rises[1] > 36.2


def test_hum_at_the_output_rises_as_the_ripple_does() -> None:
    """Ripple arrives by straight ways: as many decibels more at the rail, so many at the output."""
    part = Part("R3", "carbon-film", ("out", "vcc"), 10e3, 0.05)
    rail = plain(((100.0, 0.05),))
    healthy = resistor(1e3, rail)
    healthy = replace(healthy, parts=(*healthy.parts, part))
    more = fed(healthy, healthy.with_part(replace(healthy.part("R1"), value=330.0)))
    asked = [RIPPLE, Reading("hum", frequency=100.0)]
    stiff, follows = take(replace(more, rails=healthy.rails), asked), take(more, asked)
    assert follows[0] / stiff[0] > 1.5
    assert follows[1] / stiff[1] == pytest.approx(follows[0] / stiff[0], rel=0.01)


def test_a_shorted_rail_falls_to_what_winding_and_short_leave() -> None:
    """A full-wave rectifier that conducts all the time: 2/π of the peak, less I·R."""
    rail = plain(((100.0, 0.1),))
    healthy = resistor(240.0, rail)
    shorted = fed(healthy, resistor(1e-3, rail))
    amps = take(shorted, [CURRENT])[0]
    made = equivalent(shorted.rails[0])
    assert amps == pytest.approx(2.0 / math.pi * made.emf / (made.ohms + 1.0), rel=0.02)


@pytest.mark.parametrize(
    ("lines", "count"),
    [
        (((50.0, 0.1), (100.0, 0.03)), 1),
        (((100.0, 0.1), (200.0, 0.03)), 2),
        (((50.0, 0.001), (100.0, 0.1)), 2),  # a trace of halves that differ
        (((100.0, 1e-3),), 0),  # 4 mV peak to peak of 24 V: regulated
        (((300.0, 0.1),), 0),
        ((), 0),
    ],
)
def test_the_lowest_line_tells_the_rectifier(
    lines: tuple[tuple[float, float], ...], count: int
) -> None:
    assert pulses(plain(lines), 50.0) == count


def test_a_regulated_rail_stays_where_it_is() -> None:
    healthy = resistor(1e3, plain(((100.0, 1e-3),)))
    more = fed(healthy, resistor(100.0, healthy.rails[0]))
    assert take(more, [VOLTS])[0] == pytest.approx(24.0, rel=1e-4)


def test_a_negative_rail_is_the_mirror_image() -> None:
    lines = ((100.0, 0.1),)
    both = []
    for volts in (24.0, -24.0):
        healthy = resistor(240.0, plain(lines, volts))
        both.append(take(fed(healthy, resistor(60.0, healthy.rails[0])), [VOLTS, RIPPLE]))
    assert both[0][0] == pytest.approx(-both[1][0], rel=1e-6)
    assert both[0][1] == pytest.approx(both[1][1], rel=1e-6)
    assert both[0][0] < 22.0


def test_a_low_rail_is_the_same_supply_on_less_mains() -> None:
    """A resistor on half the voltage takes half the current: nothing is left to follow."""
    healthy = resistor(240.0, plain(((100.0, 0.1),)))
    low = fed(healthy, healthy.with_rail(replace(healthy.rails[0], volts=12.0)))
    assert take(low, [VOLTS])[0] == pytest.approx(12.0, rel=1e-4)


@with_ngspice
def test_a_drawn_supply_follows_as_well(tmp_path: Path) -> None:
    """Full-wave, 24 V at 100 mA of which the stage takes all; then it takes 250 mA."""
    supply = drawn("full-wave", 1000e-6, 0.1, 8.0)
    rail = Rail("vcc", 24.0, supply=supply)
    healthy = resistor(239.0, rail)
    unit = fed(healthy, resistor(90.0, rail))
    volts, amps = take(unit, [VOLTS, CURRENT])
    # its winding is found as that of 24 V at 100 mA; by ngspice, with diodes of no drop
    low, high = 24.0, 40.0
    for _ in range(14):
        emf = (low + high) / 2.0
        mean = simulated(Rectifier(emf, 8.0, 1000e-6, 50.0, 2), 0.1, tmp_path, 30)[0]
        low, high = (emf, high) if mean < 24.0 else (low, emf)
    after = simulated(Rectifier(emf, 8.0, 1000e-6, 50.0, 2), float(amps), tmp_path, 30)[0]
    assert amps > 0.2
    assert volts == pytest.approx(after, rel=0.02)


def test_drive_makes_the_rails_sag_and_the_ripple_rise() -> None:
    """At full power a rail falls to what its rectifier gives at crest / (π·load), class B."""
    healthy = load_stage("output-complementary")
    at_power = ("power", 20.0)
    asked = [Reading("thd+n", frequency=1e3, level=at_power, load=8.0),
             Reading("maximum output", frequency=1e3, thd=0.01, load=8.0)]
    followed, stiff = take(fed(healthy, healthy), asked), take(healthy, asked)
    assert followed[0] > 1.05 * stiff[0]  # hum from ripple that the drive has raised
    rail = alone(loaded(fed(healthy, healthy)), _engine().run).rails[0]
    crest = math.sqrt(2.0) * followed[1]
    total = crest / (math.pi * 8.0) + 0.2 * 0.0894
    sagged = equivalent(rail.unloaded or rail).at(total)[0]
    fall = 20.0 * math.log10(followed[1] / stiff[1])
    assert fall == pytest.approx(20.0 * math.log10(sagged / 31.0), abs=0.5)

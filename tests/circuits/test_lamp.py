"""A lamp in series with the mains: the fixed point of filament and load, and what rails then have.

Sources: the law of filaments, I ∝ V^0.55 (from memory; common practice), solved with a plain
resistor by scipy's root finder; winding, rectifiers and reservoirs with that resistance in series,
run in time by plain ngspice from netlists written here, where the lamp's own current and voltage
must then keep that law; steps in time (Euler).
"""

from __future__ import annotations

import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from circuits.bench.take import fed, take
from circuits.feed import equivalent
from circuits.in_state import in_state
from circuits.lamp import COLD, EXPONENT, Behind, relative, seen
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.rectifier import Rectifier
from circuits.stage import Part, Rail, Stage
from circuits.state import State
from circuits.supply import drawn
from tests.small import resistor


def test_the_law_and_its_ends() -> None:
    """At its rated current the rated resistance; cold a fourteenth; V = I·R gives I ∝ V^0.55."""
    assert relative(1.0) == pytest.approx(1.0)
    assert relative(0.0) == COLD
    for current in (0.2, 0.5, 2.0):
        volts = current * relative(current)
        assert current == pytest.approx(volts**EXPONENT)


@pytest.mark.parametrize("ohms", [20.0, 500.0, 3e3])
def test_a_lamp_and_a_resistor(ohms: float) -> None:
    """60 W at 230 V in series with a resistor across 230 V: Kirchhoff and the law, by root."""
    volts, watts = 230.0, 60.0
    (found,) = seen(watts, [Behind(math.sqrt(2.0) * volts, 1.0, lambda r: volts / (r + ohms))])
    rated = watts / volts

    def left(across: float) -> float:
        return volts - across - ohms * rated * (across / volts) ** EXPONENT

    across = brentq(left, 1e-9, volts)
    flows = (volts - across) / ohms
    expected = max(across / flows, COLD * volts / rated)
    assert found == pytest.approx(expected, rel=1e-3)


def test_two_alike_windings_see_twice_the_resistance_of_one_with_both_loads() -> None:
    def rms(load: float, ohms: float) -> float:
        return 20.0 / (load + ohms)

    one = seen(40.0, [Behind(28.3, 1.0, lambda r: rms(10.0, r))])
    two = seen(40.0, [Behind(28.3, 0.5, lambda r: rms(20.0, r))] * 2)
    assert two == pytest.approx([2.0 * one[0]] * 2, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("pulses", [1, 2])
@pytest.mark.parametrize("ohms", [0.5, 5.0, 60.0])
def test_rms_of_the_winding_is_that_of_a_run_in_time(pulses: int, ohms: float) -> None:
    """The run in time, by fine steps (Euler), has the same mean voltage and RMS current."""
    made = Rectifier(40.0, ohms, 2000e-6, 50.0, pulses)
    amps = 0.1
    step, volts, flows, means = 2e-6, made.at(amps)[0], [], []
    for k in range(round(1.6 / step)):
        turn = math.cos(2.0 * math.pi * 50.0 * k * step)
        emf = 40.0 * (abs(turn) if pulses == 2 else turn)
        flow = max(emf - volts, 0.0) / ohms
        volts += step * (flow - amps) / made.farads
        flows.append(flow)
        means.append(volts)
    cycle = round(0.02 / step)
    flow, mean = np.array(flows[-cycle:]), float(np.mean(means[-cycle:]))
    assert made.at(amps)[0] == pytest.approx(mean, rel=2e-3)
    assert made.rms(amps) == pytest.approx(math.sqrt(float(np.mean(flow**2))), rel=0.01)


# -- stages against plain ngspice ------------------------------------------------------------------

LINES = ((100.0, 0.3), (200.0, 0.09))


def bleeders(plus: float, minus: float) -> Stage:
    """Two rails of one transformer, each with a resistor to ground; nothing else hangs on them."""
    parts = (resistor("Ra", "vcc", "0", plus), resistor("Rb", "vee", "0", minus),
             resistor("R1", "in", "out", 1e3), resistor("R2", "out", "0", 1e3))
    rails = (Rail("vcc", 30.0, LINES, others=0.0), Rail("vee", -30.0, LINES, others=0.0))
    return Stage("bleeders", parts, rails=rails, mains=50.0, load=8.0)


HEALTHY = bleeders(100.0, 100.0)

NETLIST = """split supply by hand
Ba w 0 v={peak}*cos(2*pi*50*time)
Rl w l {lamp}
Rw1 l a {winding}
D1 a p dd
Rw2 l b {winding}
D2 n b dd
Em m 0 l 0 -1
Rw3 m c {winding}
D3 c p dd
Rw4 m d {winding}
D4 n d dd
C1 p 0 {farads} ic={start}
C2 n 0 {farads} ic=-{start}
R1 p 0 {plus}
R2 n 0 {minus}
.model dd d(is=1e-6 n=0.01 rs=1e-4)
.options reltol=1e-5
.control
tran 20u {stop} {begin} 20u uic
linearize
wrdata {out} v(p) v(n) v(w) v(l)
.endc
.end
"""


def by_ngspice(folder: Path, made: Rectifier, lamp: float, plus: float, minus: float) -> np.ndarray:
    """Time, both rails, and both ends of the lamp, of one cycle at the end of a long run.

    A winding and its mirror image (a tapped one) behind one lamp: the mirror has no lamp of its
    own, so it takes the lamp's node with a current that a second, equal source would give; what
    the mirrored half draws in the other half cycle passes by the lamp all the same.
    """
    out = folder / "rails"
    text = NETLIST.format(
        peak=made.emf, lamp=lamp, winding=made.ohms, farads=made.farads, start=0.7 * made.emf,
        plus=plus, minus=minus, stop=1.2, begin=1.16, out=out)
    # the mirror's current is fed back to the lamp as a transformer does
    text = text.replace("Em m 0 l 0 -1", "Em mm 0 l 0 -1\nVm mm m 0\nFm l 0 Vm -1")
    (folder / "split.cir").write_text(text, "utf-8")
    subprocess.run(["ngspice", "-b", str(folder / "split.cir")], capture_output=True, check=False,
                   timeout=120, stdin=subprocess.DEVNULL)
    table = np.loadtxt(next(folder.glob("rails*")))
    return table[table[:, 0] > table[-1, 0] - 0.02][:, [0, 1, 3, 5, 7]]


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the ngspice program is not there")
@pytest.mark.parametrize(("plus", "minus"), [(100.0, 100.0), (12.0, 12.0), (8.0, 8.0)])
@pytest.mark.parametrize("watts", [25.0, 60.0])
def test_rails_behind_a_lamp(tmp_path: Path, plus: float, minus: float, watts: float) -> None:
    """Volts within 2 %; and the law, of the lamp's own volts and current in that run, within 3 %.

    The rail's equivalent supply is the one of the healthy unit; the lamp's resistance in the run is
    the one that keeps its law, found by bisection with runs alone.
    """
    rail = next(r for r in fed(HEALTHY, HEALTHY).rails if r.name == "vcc")
    made = equivalent(rail)
    volts = made.emf / math.sqrt(2.0)  # the mains as the winding has it
    rated = volts**2 / watts

    def off(log: float) -> float:
        lamp = math.exp(log)
        run = by_ngspice(tmp_path, made, lamp, plus, minus)
        current = math.sqrt(float(np.mean((run[:, 3] - run[:, 4]) ** 2))) / lamp
        share = current / (watts / volts)
        return math.log(rated * max(share ** (1.0 / EXPONENT - 1.0), COLD)) - log

    lamp = math.exp(brentq(off, math.log(0.9 * COLD * rated), math.log(3.0 * rated), xtol=2e-3))
    run = by_ngspice(tmp_path, made, lamp, plus, minus)
    expected = [float(run[:, 1].mean()), float(run[:, 2].mean())]
    unit = fed(HEALTHY, bleeders(plus, minus))
    state = State(lamp=watts)
    found = take(unit, [Reading("dc voltage", at=at, state=state, meter=math.inf)
                        for at in ("vcc", "vee")])
    assert found == pytest.approx(expected, rel=0.02)


def test_a_healthy_stage_hardly_notices_and_a_shorted_one_is_held() -> None:
    """Common practice, what the lamp is for: dim with a good unit, bright with a short."""
    stage = load_stage("output-complementary")
    readings = [Reading("dc voltage", at="vcc", state=State(lamp=60.0)),
                Reading("supply current", rail="vcc", state=State(lamp=60.0))]
    usual = take(fed(stage, stage), [replace(r, state=State()) for r in readings])
    good = take(fed(stage, stage), readings)
    assert 0.75 * usual[0] < good[0] < usual[0]
    shorted = replace(stage, parts=(*stage.parts, resistor("Rshort", "vcc", "0", 1.0)))
    bad = take(fed(stage, shorted), readings)
    assert bad[0] < 0.25 * usual[0]
    # the lamp at its full power is the most that can come in
    assert bad[0] * bad[1] < 60.0


def test_a_larger_lamp_leaves_more() -> None:
    unit = fed(HEALTHY, bleeders(12.0, 12.0))
    volts = [take(unit, [Reading("dc voltage", at="vcc", state=State(lamp=w))])[0]
             for w in (15.0, 40.0, 100.0, 1000.0)]
    assert volts == sorted(volts)
    (without,) = take(unit, [Reading("dc voltage", at="vcc")])
    assert volts[-1] < without
    assert volts[-1] == pytest.approx(without, rel=0.1)


def test_a_drawn_supply_sags_as_its_equivalent_does() -> None:
    """A winding of 2 ohm and 2200 µF, 0.3 A at 30 V: the closed form of that, and the law, by root.

    The one is run in time with its diodes, the other is solved with 0.8 V for each.
    """
    supply = drawn("bridge", 2200e-6, 0.3, 2.0)
    parts: tuple[Part, ...] = (resistor("R1", "in", "out", 1e3), resistor("R2", "out", "0", 1e3))
    stage = Stage("drawn", parts, rails=(Rail("vcc", 30.0, supply=supply),), mains=50.0)
    stage = replace(stage, parts=(*parts, resistor("Ra", "vcc", "0", 1e4)))
    heavy = replace(stage, parts=(*parts, resistor("Ra", "vcc", "0", 20.0)))
    watts = 40.0
    (found,) = take(fed(stage, heavy),
                    [Reading("dc voltage", at="vcc", state=State(lamp=watts), meter=math.inf)])
    # what the stage's own 0.3 A at 30 V is, a resistor of 100 ohm, beside 20
    load = 1.0 / (1.0 / 20.0 + 1.0 / 100.0)
    emf = 30.0 + 0.3 * 6.0 + 1.6
    for _ in range(60):
        mean = Rectifier(emf - 1.6, 2.0, 2200e-6, 50.0, 2).at(0.3)[0]
        emf += 0.5 * (30.0 - mean)

    def at(volts: float) -> float:
        amps = volts / load

        def rms(ohms: float) -> float:
            return Rectifier(emf - 1.6, 2.0 + ohms, 2200e-6, 50.0, 2).rms(amps)

        (ohms,) = seen(watts, [Behind(emf, amps, rms)])
        return Rectifier(emf - 1.6, 2.0 + ohms, 2200e-6, 50.0, 2).at(amps)[0] - volts

    assert found == pytest.approx(brentq(at, 1.0, 30.0), rel=0.05)


def test_in_state_keeps_the_stage_itself() -> None:
    stage = load_stage("output-complementary")
    assert in_state(stage, State(lamp=60.0)).lamp == 60.0
    assert stage.lamp == 0.0

"""A return to ground on a joint that the loudspeaker's current shares: feedback by that current.

Sources: Kirchhoff's equations of an op-amp stage with a resistor common to foot and load return
(negative feedback), or to input and load return (positive); a class B stage with the same joint in
a netlist written here, run in time by plain ngspice.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import take
from circuits.earths import lifted, returns
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import GROUND, Rail, Stage
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.simulate import Laboratory, Variant
from tests.small import db, device, opamp, read, resistor

RF, RG, RIN, RS, RL = 22e3, 1e3, 47e3, 100.0, 8.0
AMPLIFIER = Stage(
    "amplifier",
    (
        resistor("R1", "in", "0", RIN),
        opamp("U1", ("in", "n", "out")),
        resistor("R2", "out", "n", RF),
        resistor("R3", "n", "0", RG),
    ),
    rails=(Rail("vcc", 15.0, ((100.0, 1e-3),)),),
    source_impedance=RS,
    load=RL,
)
MODE = "shared load return"


def solved(of_input: bool, ohms: float, load: float = RL) -> float:
    """Output to ground for 1 V of the generator, by Kirchhoff's laws: unknown out, in, joint."""
    a = np.zeros((3, 3))
    b = np.zeros(3)
    near, far = (1.0, 0.0) if of_input else (0.0, 1.0)
    # input node: generator and R1 come back by the joint, or by ground
    a[0] = [0.0, 1.0 / RS + 1.0 / RIN, -near * (1.0 / RS + 1.0 / RIN)]
    b[0] = 1.0 / RS
    # inverting node, at the voltage of the input node
    a[1] = [-1.0 / RF, 1.0 / RF + 1.0 / RG, -far / RG]
    # the joint
    a[2] = [-1.0 / load, -(far / RG + near * (1.0 / RS + 1.0 / RIN)),
            1.0 / ohms + 1.0 / load + far / RG + near * (1.0 / RS + 1.0 / RIN)]
    b[2] = -near / RS
    return float(np.linalg.solve(a, b)[0])


def faulty(part: str, ohms: float) -> Stage:
    return inject(AMPLIFIER, Fault(f"earth of {part}", MODE, ohms))


@pytest.mark.parametrize("ohms", [0.001, 0.1, 1.0])
def test_a_foot_on_the_loudspeakers_return_loses_gain(ohms: float) -> None:
    """In the limit of a large Rg: G / (1 + (G - 1)·r / RL), nearly."""
    (gain,) = read(faulty("R3", ohms), Reading("gain", frequency=1e3))
    assert gain == pytest.approx(db(solved(False, ohms)), abs=1e-3)
    usual = (1.0 + RF / RG) / (1.0 + RF / RG * ohms / (RL + ohms))
    assert gain == pytest.approx(db(usual * RIN / (RIN + RS)), abs=0.02)


@pytest.mark.parametrize("ohms", [0.001, 0.1])
def test_an_input_on_it_gains_some(ohms: float) -> None:
    (gain,) = read(faulty("R1", ohms), Reading("gain", frequency=1e3))
    assert gain == pytest.approx(db(solved(True, ohms)), abs=1e-3)
    assert gain > db(solved(True, 1e-9))


@pytest.mark.parametrize("ohms", [0.001, 0.1, 1.0])
def test_output_impedance_and_damping_are_those_of_two_loads(ohms: float) -> None:
    """From levels into 8 and 16 ohm, as a technician has them: Z of E·R / (R + Z).

    With the loads' common end on the joint and levels to ground that is (Rf / Rg)·r, nearly.
    """
    made = faulty("R3", ohms)
    impedance, damping = read(made, Reading("output impedance", frequency=1e3),
                              Reading("damping factor", frequency=1e3))
    first, second = solved(False, ohms), solved(False, ohms, 2.0 * RL)
    # levels are of the nodes, currents those of the loads: v = E - Z·i
    currents = [_current(ohms, first, RL), _current(ohms, second, 2.0 * RL)]
    expected = (second - first) / (currents[0] - currents[1])
    assert impedance == pytest.approx(expected, rel=1e-3)
    assert impedance == pytest.approx(RF / RG * ohms, rel=0.01)
    assert damping == pytest.approx(RL / expected, rel=1e-3)


def _current(ohms: float, out: float, load: float) -> float:
    """Of the load: the joint has what comes by it and by the foot, whose other end is known."""
    at_n = RIN / (RIN + RS)
    joint = (out / load + at_n / RG) / (1.0 / ohms + 1.0 / load + 1.0 / RG)
    return (out - joint) / load


def test_it_does_not_hum_and_the_charging_current_does_not_feed_back() -> None:
    hum, gain = Reading("hum", frequency=100.0), Reading("gain", frequency=1e3)
    (foot,) = [found for found in returns(AMPLIFIER) if found.parts == ("R3",)]
    by_load, by_charge = (lifted(AMPLIFIER, foot, 0.1, of_load) for of_load in (True, False))
    assert by_load.load_return == "R3.earth"
    assert by_load.charged == ()
    assert by_charge.load_return == GROUND
    assert take(by_load, [hum])[0] < 1e-3 * take(by_charge, [hum])[0]
    assert take(by_charge, [gain])[0] == pytest.approx(take(AMPLIFIER, [gain])[0], abs=0.01)


def test_only_stages_with_a_loudspeaker_have_it() -> None:
    def has(stage: Stage) -> bool:
        return any(one.mode.name == MODE for one in hypotheses(stage))

    assert has(load_stage("output-complementary"))
    assert has(AMPLIFIER)
    assert not has(load_stage("phono-two-transistor"))
    assert not has(replace(AMPLIFIER, load=600.0))


def test_a_plan_for_the_good_unit_takes_it_as_well() -> None:
    """As `Laboratory` asks, with readings of other faults beside it and the load off."""
    readings = [Reading("gain", frequency=1e3), Reading("output impedance", frequency=1e3)]
    fault = Fault("earth of R3", MODE, 0.1)
    with Laboratory(workers=1) as bench:
        found = bench.values(AMPLIFIER, [Variant(), Variant((fault,))], readings).values
    assert found[0, 0] == pytest.approx(db(solved(False, 1e-9)), abs=1e-3)
    assert found[1, 0] == pytest.approx(db(solved(False, 0.1)), abs=1e-3)
    assert np.exp(found[1, 1]) == pytest.approx(RF / RG * 0.1, rel=0.02)


# -- under drive, against plain ngspice ------------------------------------------------------------

NPN = {"IS": 1e-14, "BF": 200.0}
NETLIST = """class B by hand
Vcc vcc 0 20
Vee vee 0 -20
Vgen in 0 sin(0 {volts} 1k)
Ein d 0 in n 1000
Q1 vcc d out qn
Q2 vee d out qp
R2 out n 22k
R3 n j 1k
Rl out j 8
Rj j 0 {ohms}
.model qn npn(is=1e-14 bf=200)
.model qp pnp(is=1e-14 bf=200)
.options temp=27 reltol=1e-6 method=gear
.control
tran 0.5u 6m 1m 0.5u
fourier 1k v(out)
.endc
.end
"""


def by_ngspice(folder: Path, volts: float, ohms: float) -> tuple[float, float]:
    """THD, a ratio, and the crest of the fundamental at the output, V."""
    path = folder / "hand.cir"
    path.write_text(NETLIST.format(volts=volts, ohms=ohms), "utf-8")
    done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True,
                          timeout=120, check=False, stdin=subprocess.DEVNULL)
    thd = re.search(r"THD: (\S+) %", done.stdout)
    first = re.search(r"^\s*1\s+1000\s+(\S+)", done.stdout, re.MULTILINE)
    assert thd, done.stdout
    assert first, done.stdout
    return float(thd[1]) / 100.0, float(first[1])



@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the ngspice program is not there")
@pytest.mark.parametrize("ohms", [0.0001, 0.1, 0.5])
def test_crossover_distortion_with_the_joint(tmp_path: Path, ohms: float) -> None:
    """2 V RMS or so at the output; harmonics 2 to 10 here, 2 to 9 there, within 2 %."""
    stage = Stage(
        "class B",
        (
            opamp("U1", ("in", "n", "d"), {"gain": 1e3, "gbw": 1e10, "output resistance": 1e-2}),
            device("Q1", "npn", ("vcc", "d", "out"), NPN),
            device("Q2", "pnp", ("vee", "d", "out"), NPN),
            resistor("R2", "out", "n", RF), resistor("R3", "n", "0", RG),
            resistor("R1", "in", "0", 1e6),
        ),
        rails=(Rail("vcc", 20.0), Rail("vee", -20.0)), load=RL, source_impedance=1e-3,
    )
    volts = 0.1 * (1.0 + 22.0 * ohms / RL)
    thd, crest = by_ngspice(tmp_path, volts, ohms)
    (foot,) = [found for found in returns(stage) if found.parts == ("R3",)]
    made = lifted(stage, foot, ohms, of_load=True)
    level = ("input level", float(volts / np.sqrt(2.0)))
    (found,) = read(made, Reading("thd", frequency=1e3, level=level))
    assert found == pytest.approx(thd, rel=0.02)
    assert crest > 1.5

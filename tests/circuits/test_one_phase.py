"""Hum from two rails of one transformer: one phase, up to a sign, at every line.

Sources: superposition in a resistor divider; Fourier's shift theorem; a split supply with
capacitors and diodes, run in time by plain ngspice from a netlist written here.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import plan, take
from circuits.load import load_stage
from circuits.one_phase import pairs, sign
from circuits.probe import NONE
from circuits.reading import Reading
from circuits.stage import Rail, Stage
from circuits.supply import drawn
from tests.small import read, resistor

FLOOR = 1e-7
"""V RMS that an analyser shows with nothing to be read (`circuits.bench.mains`)."""
LINES = ((50.0, 2e-3), (100.0, 10e-3), (150.0, 1e-3), (200.0, 3e-3))


def adder(above: float, below: float, lines: tuple[tuple[float, float], ...] = LINES) -> Stage:
    """Two rails into one node by a resistor each, and 10 k to ground there."""
    parts = (resistor("Ra", "vcc", "out", above), resistor("Rb", "vee", "out", below),
             resistor("Rg", "out", "0", 10e3), resistor("Ri", "in", "0", 1e3))
    rails = (Rail("vcc", 30.0, lines), Rail("vee", -30.0, LINES))
    return Stage("adder", parts, rails=rails, mains=50.0)


def arrives(ohms: float, other: float) -> float:
    """Share of one rail's line at the node: of 1 / R among all conductances."""
    return (1.0 / ohms) / (1.0 / ohms + 1.0 / other + 1.0 / 10e3)


def hum(stage: Stage, *frequencies: float, way: int = 0) -> list[float]:
    return read(stage, *(Reading("hum", frequency=f, way=way) for f in frequencies))


@pytest.mark.parametrize("below", [10e3, 10.4e3, 33e3])
def test_even_lines_cancel_and_odd_ones_add(below: float) -> None:
    stage = adder(10e3, below)
    mine, other = arrives(10e3, below), arrives(below, 10e3)
    expected = [
        math.hypot(level * abs(mine + other * (1.0 if round(f / 50.0) % 2 else -1.0)), FLOOR)
        for f, level in LINES
    ]
    assert hum(stage, *(f for f, _ in LINES)) == pytest.approx(expected, rel=1e-3, abs=2e-9)


def test_a_fault_of_one_rail_is_not_cancelled() -> None:
    """Ten times the ripple on one of them: nine tenths are left, not √(10² + 1²)."""
    stage = adder(10e3, 10e3)
    assert pairs(stage) == (("vcc", "vee"),)
    faulty = adder(10e3, 10e3, tuple((f, 10.0 * level) for f, level in LINES))
    (value,) = take(faulty, plan(stage, [Reading("hum", frequency=100.0)]))
    assert value == pytest.approx(9.0 * 10e-3 * arrives(10e3, 10e3), rel=1e-4)


def test_they_are_one_way() -> None:
    """The largest way is the sum of both, and there is no other but the pick-up."""
    stage = replace(adder(10e3, 33e3), pickup=((100.0, 1e-3),))
    mine, other = arrives(10e3, 33e3), arrives(33e3, 10e3)
    (first,) = hum(stage, 100.0, way=1)
    assert first == pytest.approx(10e-3 * (mine - other), rel=1e-4)
    (third,) = hum(stage, 100.0, way=3)
    assert third < FLOOR


def test_each_rail_by_itself_has_its_ripple() -> None:
    found = read(adder(10e3, 10e3),
                 *(Reading("ripple", at=at, frequency=100.0, probe=NONE) for at in ("vcc", "vee")))
    assert found == pytest.approx([10e-3, 10e-3], rel=1e-3)


def test_which_rails_belong_together() -> None:
    """Split pairs; not rails of other volts, of one sign, or with nothing known of their ripple."""
    plus = Rail("vcc", 30.0, LINES)
    for other, together in (
        (Rail("vee", -30.0, LINES), True), (Rail("vee", -31.0, LINES), True),
        (Rail("vee", -40.0, LINES), False), (Rail("vdd", 30.0, LINES), False),
        (Rail("vee", -30.0), False), (Rail("vee", -30.0, LINES[:2]), False),
    ):
        made = Stage("rails", (resistor("R1", "in", "out", 1e3),), rails=(plus, other))
        assert bool(pairs(made)) is together
    for name in ("output-complementary", "phono-opamp"):
        assert pairs(load_stage(name)) == (("vcc", "vee"),)


def test_drawn_supplies_of_one_transformer_belong_together() -> None:
    def rail(name: str, volts: float, transformer: str, reservoir: float = 4700e-6) -> Rail:
        made = drawn("full-wave", reservoir, 0.1, 1.0, transformer=transformer)
        return Rail(name, volts, supply=made)

    def together(*rails: Rail) -> bool:
        return bool(pairs(Stage("rails", (resistor("R1", "in", "out", 1e3),), rails=rails)))

    assert together(rail("vcc", 30.0, "T1"), rail("vee", -30.0, "T1"))
    assert not together(rail("vcc", 30.0, "T1"), rail("vee", -30.0, "T2"))
    assert not together(rail("vcc", 30.0, ""), rail("vee", -30.0, ""))
    assert not together(rail("vcc", 30.0, "T1"), rail("vee", -30.0, "T1", 1000e-6))


# -- the phases themselves, against plain ngspice --------------------------------------------------

SPLIT = """split supply by hand
Va a 0 sin(0 30 50)
Rwa a wa 1
Rwb b wb 1
{winding}
D1 wa p dd
{second}
D3 n wa dd
{fourth}
C1 p 0 1000u ic=27
C2 n 0 1000u ic=-27
R1 p 0 150
R2 n 0 150
.model dd d(is=1e-9 n=1.6 rs=0.02)
.control
tran 50u 0.6 0.4 50u uic
linearize
wrdata {out} v(p) v(n)
.endc
.end
"""


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the ngspice program is not there")
@pytest.mark.parametrize("half_wave", [False, True])
def test_signs_of_the_lines_of_a_split_supply(tmp_path: Path, half_wave: bool) -> None:
    """A bridge on a tapped winding whose halves differ by 2 %, or a diode for either rail."""
    second, fourth = ("", "") if half_wave else ("D2 wb p dd", "D4 n wb dd")
    winding = "Vb b 0 0" if half_wave else "Eb b 0 a 0 -0.98"
    out = tmp_path / "rails"
    (tmp_path / "split.cir").write_text(
        SPLIT.format(winding=winding, second=second, fourth=fourth, out=out), "utf-8")
    subprocess.run(["ngspice", "-b", str(tmp_path / "split.cir")], capture_output=True,
                   check=False, timeout=120, stdin=subprocess.DEVNULL)
    table = np.loadtxt(next(tmp_path.glob("rails*")))
    time, volts = table[:, 0], table[:, [1, 3]]
    keep = time >= time[-1] - 0.1
    volts = volts[keep] - volts[keep].mean(axis=0)
    for order in (1, 2, 3, 4):
        if order % 2 == 0 or half_wave or order == 1:
            turn = np.exp(-2j * np.pi * 50.0 * order * time[keep])
            plus, minus = (volts * turn[:, None]).mean(axis=0)
            ratio = minus / plus
            assert ratio.real == pytest.approx(sign(30.0, -30.0, order), abs=0.05)
            assert abs(ratio.imag) < 0.1

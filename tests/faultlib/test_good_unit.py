"""The spread of good units at rest, against closed forms of a divider, and what is told of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest

from circuits.adjust import Adjust
from circuits.errors import NoSolution
from circuits.load import load_stage
from circuits.stage import Part, Rail, Stage
from faultlib.good_unit import good_unit
from faultlib.simulate import Laboratory
from tests.small import resistor

RAIL_SIGMA = 0.02
"""Of a rail's voltage between good units, as `faultlib.tolerance` states it."""


@pytest.fixture(scope="module")
def here() -> Iterator[Laboratory]:
    with Laboratory(workers=0) as laboratory:
        yield laboratory


def divider() -> Stage:
    """10 V, 3 kohm of 5 % above 1 kohm of 5 %; a trimmer that is not set stands beside."""
    upper = replace(resistor("R1", "vcc", "out", 3e3), tolerance=0.05)
    lower = replace(resistor("R2", "out", "0", 1e3), tolerance=0.05)
    return Stage("divider", (upper, lower, Part("C1", "film", ("in", "out"), 1e-6)),
                 rails=(Rail("vcc", 10.0),))


def test_a_divider_and_its_spread(here: Laboratory) -> None:
    """V = 10·R2/(R1 + R2); its relative change is that of the rail and 3/4 of each resistor's.

    A uniform spread between ±5 % has the standard deviation ln(1.05)/√3, and 90 % of a normal
    distribution lie within 1.645 of them.
    """
    found = good_unit(divider(), here)
    one = math.log(1.05) / math.sqrt(3.0)
    sigma = 2.5 * math.sqrt(2.0 * (0.75 * one) ** 2 + RAIL_SIGMA**2)
    out = found.volts["out"]
    assert out.value == pytest.approx(2.5, rel=1e-5)
    assert (out.high - out.low) / 2.0 == pytest.approx(1.645 * sigma, rel=0.03)
    # I = V/R: the rail, 3/4 of R1 and 1/4 of R2
    sigma = 2.5e-3 * math.sqrt((0.75 * one) ** 2 + (0.25 * one) ** 2 + RAIL_SIGMA**2)
    current = found.currents["R2"]
    assert current.value == pytest.approx(2.5e-3, rel=1e-5)
    assert (current.high - current.low) / 2.0 == pytest.approx(1.645 * sigma, rel=0.03)
    assert found.rails["vcc"].value == pytest.approx(2.5e-3, rel=1e-5)
    assert found.watts["R1"].value == pytest.approx(7.5**2 / 3e3, rel=1e-5)
    assert found.watts["C1"].high == 0.0
    assert found.oscillation is None
    assert found.problems == ()


def trimmed(aim: float) -> Stage:
    """1 kohm of trimmer between 3 kohm and 1 kohm on 10 V: its wiper reaches 2 V to 4 V."""
    parts = (
        resistor("R1", "vcc", "top", 3e3),
        Part("RV1", "trimmer", ("top", "out", "low"), 1e3, 0.2, position=0.1),
        resistor("R2", "low", "0", 1e3),
        Part("C1", "film", ("in", "out"), 1e-6),
    )
    return Stage("trimmed", parts, rails=(Rail("vcc", 10.0),),
                 adjust=(Adjust("RV1", "out", within=0.02, aim=aim),))


def test_a_trimmer_takes_back_what_the_tolerances_do(here: Laboratory) -> None:
    """What is left of the spread is the setting error of 2 %."""
    found = good_unit(trimmed(3.0), here)
    assert found.volts["out"].value == pytest.approx(3.0, rel=2e-3)
    assert found.stage.part("RV1").position == pytest.approx(0.5, abs=5e-3)
    width = (found.volts["out"].high - found.volts["out"].low) / 2.0
    assert width == pytest.approx(1.645 * 0.02 * 3.0, rel=0.1)
    assert found.unset == ()


def test_a_trimmer_that_does_not_reach_its_voltage(here: Laboratory) -> None:
    (one,) = good_unit(trimmed(6.0), here).unset
    assert (one.part, one.aim) == ("RV1", 6.0)
    assert one.reads == pytest.approx(4.0, rel=1e-3)


def test_an_amplifier_that_swings_by_itself(here: Laboratory) -> None:
    """Common practice: a three-stage amplifier oscillates when its compensation opens."""
    stage = load_stage("output-complementary")
    kept = tuple(p for p in stage.parts if "compensation" not in p.role)
    assert len(kept) < len(stage.parts)
    found = good_unit(replace(stage, parts=kept), here).oscillation
    assert found is not None
    assert 1e5 < found.frequency < 1e8


def test_a_stage_that_cannot_be_simulated_is_an_error() -> None:
    with Laboratory(workers=0, limit=0.0) as late, pytest.raises(NoSolution, match="divider"):
        good_unit(divider(), late)

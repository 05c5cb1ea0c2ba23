"""Other designs of a kind of stage: what stays and what differs, by closed forms."""

from __future__ import annotations

import math

import pytest

from circuits.load import load_stage, stage_names
from circuits.stage import Stage
from faultlib.designs import another_design, section
from faultlib.tolerance import Design, deviate


def one(stage: Stage, target: str, what: str) -> Design:
    (found,) = (d for d in another_design(stage) if (d.target, d.what) == (target, what))
    return found


def test_a_curve_keeps_its_time_constants_at_any_impedance_level() -> None:
    """R up as C goes down: time constants of IEC 60098 are products of both, and stay."""
    stage = load_stage("phono-two-transistor")
    moved = deviate(stage, [(one(stage, "curve", "impedance"), 1.5)])
    for ohms, farads in (("R8", "C7"), ("R9", "C8")):
        before, after = ((s.part(ohms).value, s.part(farads).value) for s in (stage, moved))
        assert after[0] is not None
        assert before[0] is not None
        assert after[0] > 1.3 * before[0]
        assert math.prod(x or 0.0 for x in after) == pytest.approx(
            math.prod(x or 0.0 for x in before), rel=1e-12)


def test_a_ratio_stays_when_the_level_moves() -> None:
    """Gain of series feedback is 1 + R8/R9 (handbooks): both move alike."""
    stage = load_stage("output-complementary")
    moved = deviate(stage, [(one(stage, "feedback that sets the gain", "impedance"), -1.0)])
    ratios = [(s.part("R8").value or 0.0) / (s.part("R9").value or 1.0) for s in (stage, moved)]
    assert ratios[1] == pytest.approx(ratios[0], rel=1e-12)


def test_what_the_sheet_states_does_not_move() -> None:
    stage = load_stage("phono-two-transistor")
    named = {name for d in another_design(stage, ("R5", "C7")) for name, _ in d.moves}
    assert not named & {"R5", "C7"}
    assert {"R8", "C2", "vcc"} <= named


@pytest.mark.parametrize("name", stage_names())
def test_what_a_part_does_tells_its_section(name: str) -> None:
    stage = load_stage(name)
    for part in stage.parts:
        if part.role in ("input coupling", "output coupling"):
            assert section(stage, part.name).name == "coupling and bypass capacitors"
    for rail in stage.rails:
        assert section(stage, rail.name).name == "supply and decoupling"
    assert section(stage, "pickup").name == "earth or pick-up at the input"

"""Scoring of pairs on linear units, where two faults exactly add and every draw can be checked."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from diagnose.inference.channels import doubted
from diagnose.studies.random_benches import detectable, draw_benches
from diagnose.studies.random_pairs import (
    FIRST,
    Disturbed,
    Pair,
    ScoredPair,
    disturbed,
    draw_pairs,
    read,
    score_pairs,
)
from faultlib.fault import Fault
from faultlib.signature import signatures
from tests.diagnose.fake_bench import LOSS, Array, LinearUnit, gains

READINGS, PARTS, PAIRS, SINGLES = 12, 4, 16, 40
UNIT = LinearUnit(np.random.default_rng(2).normal(size=(READINGS, PARTS)) * 3.0, gains(READINGS),
                  0.02)


@cache
def drawn() -> list[Pair]:
    return draw_pairs(UNIT.stage, UNIT.readings, PAIRS, UNIT.bench(), np.random.default_rng(3))


@cache
def scored() -> list[ScoredPair]:
    return score_pairs(UNIT.stage, UNIT.readings, drawn(), UNIT.bench())


def shift(fault: Fault) -> Array:
    """By hand: every reading moves by its slope times the logarithm of what is left."""
    return np.asarray(UNIT.moves[:, int(fault.part[1:]) - 1] * np.log(fault.size))


def test_the_unit_with_both_differs_by_the_other_fault_from_either_alone() -> None:
    """Same good parts and same noise: what is left is the other fault's shift, to rounding."""
    assert len(drawn()) == PAIRS
    # what an open part has left is farads, whatever it had, so that no good part's own error stays
    dried = [pair for pair in drawn() if {f.mode for f in pair.faults} == {LOSS}]
    assert dried
    for pair in dried:
        a, b = pair.faults
        assert pair.values - pair.alone[0] == pytest.approx(shift(b), abs=1e-9)
        assert pair.values - pair.alone[1] == pytest.approx(shift(a), abs=1e-9)


def test_only_pairs_of_which_either_shows_are_drawn() -> None:
    """In this unit nothing but the value of a capacitor moves a reading, so ESR never shows."""
    good = signatures(UNIT.stage, UNIT.readings, (), UNIT.bench(), around=doubted(UNIT.stage))
    for pair in drawn():
        assert {f.mode for f in pair.faults} <= {LOSS, "open"}
        assert pair.faults[0].part != pair.faults[1].part
        assert all(detectable(good, read(UNIT.readings, row)) for row in pair.alone)


def test_the_same_seed_draws_the_same_units() -> None:
    again = draw_pairs(UNIT.stage, UNIT.readings, PAIRS, UNIT.bench(), np.random.default_rng(3))
    for one, other in zip(drawn(), again, strict=True):
        assert one.faults == other.faults
        assert np.array_equal(one.values, other.values)


def test_nothing_is_drawn_where_no_fault_shows() -> None:
    dull = LinearUnit(np.zeros((READINGS, 2)), gains(READINGS), 0.02)
    assert draw_pairs(dull.stage, dull.readings, 2, dull.bench(), np.random.default_rng(3)) == []


@pytest.mark.slow
def test_pairs_of_a_linear_unit_are_found() -> None:
    """Twelve readings, two unknown sizes: nothing hides here, so nearly all must be found."""
    found = sum(s.found for s in scored())
    assert found >= int(stats.binom.ppf(0.01, PAIRS, 0.95)), [s.answer for s in scored()]
    for one in scored():
        if one.line == 1 and one.first:
            assert set(one.answer.replace(f" {LOSS}", "").replace(" open", "").split(" with ")) == {
                f.part for f in one.pair.faults
            }
            assert one.both


def test_a_pair_that_is_another_is_not_found() -> None:
    """Held against other faults than those that made the readings, the same answers are wrong."""
    (first, *_) = drawn()
    parts = {f.part for f in first.faults}
    others = [h.fault(0.1) for h in UNIT.losses() if h.part not in parts]
    wrong = replace(first, faults=(others[0], others[1]))
    (one,) = score_pairs(UNIT.stage, UNIT.readings, [wrong], UNIT.bench())
    assert not one.found
    assert not one.first


@pytest.mark.slow
@pytest.mark.parametrize(("line", "found"), [(0, False), (1, True), (FIRST, True),
                                             (FIRST + 1, False)])
def test_three_answers_are_tried(line: int, found: bool) -> None:
    (one, *_) = scored()
    assert replace(one, line=line).found is found
    assert replace(one, places=(1, line)).both is found


@pytest.mark.slow
def test_units_with_one_fault_are_not_disturbed() -> None:
    """At most 1 % of them change their first answer; of 40, at most as many as chance allows."""
    random = np.random.default_rng(4)
    one = draw_benches(UNIT.stage, UNIT.readings, SINGLES, UNIT.bench(), random, 0.0,
                       UNIT.losses())
    made = disturbed(UNIT.stage, UNIT.readings, one, UNIT.bench())
    assert len(made) == SINGLES
    assert sum(d.changed for d in made) <= int(stats.binom.ppf(0.99, SINGLES, 0.01))


@pytest.mark.slow
def test_a_unit_with_two_faults_is_what_the_look_at_pairs_changes() -> None:
    """The counter can count: handed units with two faults, nearly all first answers change."""
    from diagnose.studies.random_benches import RandomBench

    two = [RandomBench(p.faults[0], p.values, p.alone[0]) for p in drawn()]
    made = disturbed(UNIT.stage, UNIT.readings, two, UNIT.bench())
    assert sum(d == Disturbed(looked=True, changed=True) for d in made) > PAIRS / 2

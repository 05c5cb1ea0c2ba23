"""Remarks on the sheet: every word has its factors, and they change odds by just those."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

import diagnose.inference.remarks
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from diagnose.answer.ranking import rank
from diagnose.inference.infer import known_bad, weighing
from diagnose.inference.posterior import PRIOR_HEALTHY, PRIOR_UNMODELLED
from diagnose.inference.remarks import log_factor, moved, remarks
from diagnose.sheet.case import OBSERVATIONS, Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.sections import TRIED, Check
from faultlib.catalogue import FOLDER, hypotheses, kind_modes
from faultlib.modefile import read_kinds
from tests.diagnose.fake_bench import FakeBench

FILE = Path(diagnose.inference.remarks.__file__).with_name("remarks.yaml")


def stage() -> Stage:
    parts = (
        Part("J1", "connector", ("in", "a"), 0.01),
        Part("R1", "carbon-film", ("a", "0"), 10e3, 0.05),
        Part("C1", "electrolytic", ("a", "out"), 1e-6, 0.2),
        Part("Q1", "npn", ("vcc", "out", "0")),
    )
    return Stage("deaf", parts, rails=(Rail("vcc", 10.0),))


def deaf(made: Stage, reading: Reading) -> float:
    """Nothing moves the reading: every fault has the same evidence."""
    return 0.0


def sheet(*observations: str) -> Case:
    readings = (Measured(Reading("gain", frequency=1e3), 0.0),)
    return Case("idle", stage(), readings, observations=observations, shared=("vcc",))


def odds(words: str, suspect: str, against: str) -> float:
    """By how much a remark changes the odds of one suspect to another."""
    changed = []
    for case in (sheet(), sheet(words)):
        posterior = weighing(case, FakeBench(deaf)).posterior
        chances = {s.hypotheses[0].label(): p for s, p in posterior.suspects}
        changed.append(chances[suspect] / chances[against])
    return changed[1] / changed[0]


def test_every_word_of_a_sheet_has_its_factors_and_reversely() -> None:
    assert set(remarks()) == set(OBSERVATIONS)


@pytest.mark.parametrize("words", OBSERVATIONS)
def test_every_entry_gives_its_reason(words: str) -> None:
    assert len(remarks()[words].about.split()) >= 5


def test_the_file_owns_that_its_factors_are_judgement() -> None:
    """No table of failures tells what is intermittent; so the file must not look as if one did."""
    head = [line for line in FILE.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    assert any("Every factor is judgement" in line for line in head)


@pytest.mark.parametrize("words", OBSERVATIONS)
def test_every_mode_spoken_for_is_one_that_a_part_can_have(words: str) -> None:
    """A misspelt mode would be a remark without effect."""
    known = {m.name for kind in read_kinds(FOLDER) for m in kind_modes(kind).modes}
    assert set(remarks()[words].modes) <= known


@pytest.mark.parametrize("words", OBSERVATIONS)
def test_factors_are_those_of_a_person_not_of_a_proof(words: str) -> None:
    """No remark rules anything out: within a factor of 20 either way."""
    remark = remarks()[words]
    factors = [*remark.modes.values(), remark.others, remark.shared or 1.0]
    assert all(1 / 20 <= f <= 20 for f in factors)
    assert max(factors) > 1.0


@pytest.mark.parametrize(
    ("words", "lifted", "lowered"),
    [
        ("intermittent", "J1 poor contact", "R1 drift up"),
        ("intermittent", "Q1 noisy", "C1 capacitance loss"),
        ("worse when warm", "C1 leakage", "C1 capacitance loss"),
        ("worse when warm", "Q1 collector-base leakage", "R1 drift up"),
        ("worse with level", "vcc low", "R1 drift up"),
        ("after a knock", "J1 poor contact", "C1 leakage"),
        ("both channels", "vcc low", "C1 leakage"),
    ],
)
def test_a_remark_lifts_what_the_trade_would_look_at_first(
    words: str, lifted: str, lowered: str
) -> None:
    """With equal evidence.

    Common practice: contacts come and go, leakage grows with heat, what both channels show sits
    in what both share.
    """
    assert odds(words, lifted, lowered) > 2.0


def test_the_odds_change_by_the_stated_factors_and_no_more() -> None:
    remark = remarks()["intermittent"]
    factor = remark.modes["poor contact"] / remark.others
    assert odds("intermittent", "J1 poor contact", "R1 drift up") == pytest.approx(factor)
    assert odds("intermittent", "C1 leakage", "R1 drift up") == pytest.approx(1.0)


def test_two_remarks_multiply() -> None:
    found = hypotheses(stage())
    for h in found:
        apart = [log_factor(h, [w], ()) for w in ("intermittent", "after a knock")]
        assert log_factor(h, ["intermittent", "after a knock"], ()) == pytest.approx(sum(apart))
        assert log_factor(h, (), ()) == 0.0


def test_only_what_feeds_both_channels_is_lifted_by_both_channels() -> None:
    remark = remarks()["both channels"]
    assert remark.shared is not None
    (low,) = (h for h in hypotheses(stage()) if h.label() == "vcc low")
    assert log_factor(low, ["both channels"], ("vcc",)) == pytest.approx(math.log(remark.shared))
    assert log_factor(low, ["both channels"], ()) == pytest.approx(math.log(remark.others))


@pytest.mark.parametrize("words", OBSERVATIONS)
def test_a_remark_does_not_say_whether_the_unit_is_ill(words: str) -> None:
    result = rank(sheet(words), FakeBench(deaf))
    # an unknown fault moves something, and loses where nothing has moved
    known = (1.0 - result.unmodelled) / (1.0 - PRIOR_UNMODELLED)
    assert result.healthy == pytest.approx(known * PRIOR_HEALTHY)
    assert any(f"noticed {words!r}" in n and remarks()[words].about in n for n in result.notes)


@pytest.mark.parametrize("found", TRIED)
def test_a_part_that_moves_with_its_temperature(found: str) -> None:
    """By the stated factors, its unsteady modes most, and other parts not at all."""
    factors = moved()[found]

    def changed(suspect: str, against: str) -> float:
        ratios = []
        for checks in ((), (Check("Q1", found, "freezing spray"),)):
            posterior = weighing(replace(sheet(), checks=checks), FakeBench(deaf)).posterior
            chances = {s.hypotheses[0].label(): p for s, p in posterior.suspects}
            ratios.append(chances[suspect] / chances[against])
        return ratios[1] / ratios[0]

    for mode in ("noisy", "collector-base leakage"):
        assert factors.modes[mode] > 5.0 * factors.others
        assert changed(f"Q1 {mode}", "C1 leakage") == pytest.approx(factors.modes[mode])
    assert changed("Q1 low gain", "C1 leakage") == pytest.approx(factors.others)
    assert changed("R1 open", "C1 leakage") == pytest.approx(1.0)


def test_every_mode_that_temperature_moves_exists() -> None:
    names = {m.name for kind in read_kinds(FOLDER) for m in kind_modes(kind).modes}
    assert set(moved()) == set(TRIED)
    for remark in moved().values():
        assert set(remark.modes) <= names
        assert remark.about


def test_cooling_a_part_that_was_found_bad_leaves_it_bad() -> None:
    bad = replace(sheet(), checks=(Check("Q1", "bad"), Check("Q1", TRIED[0])))
    assert known_bad(bad)
    assert not known_bad(replace(sheet(), checks=(Check("Q1", TRIED[0]),)))

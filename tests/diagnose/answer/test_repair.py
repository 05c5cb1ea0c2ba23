"""What became of a fault after a repair, on a linear unit where every outcome can be made."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from diagnose.answer.ranking import rank
from diagnose.answer.result import RepairProof, to_json
from diagnose.sheet.case import Case, Repair, load_case
from diagnose.sheet.entry import Measured
from diagnose.show.text_answer import as_text
from faultlib.catalogue import mode_for
from tests.diagnose.answer.test_ranking import sheet
from tests.diagnose.fake_bench import Array, LinearUnit, gains

DATA = Path(__file__).resolve().parents[2] / "data"
NOISE = 0.05


def unit() -> LinearUnit:
    return LinearUnit(np.random.default_rng(1).normal(size=(6, 3)) * 3.0, gains(6), 0.02)


def good(made: LinearUnit) -> Array:
    """How one good unit's parts move its readings: the same before and after a repair."""
    return np.asarray(np.random.default_rng(3).normal(size=3) @ made.sensitivities())


def measured(made: LinearUnit, values: Array) -> tuple[Measured, ...]:
    return tuple(Measured(r, float(x)) for r, x in zip(made.readings, values, strict=True))


def case(before: Array, *after: tuple[str, Array]) -> Case:
    """A sheet with readings before, and after each of some parts was replaced."""
    made, random = unit(), np.random.default_rng(7)
    own = good(made)

    def read(shift: Array) -> Array:
        return own + shift + NOISE * random.normal(size=6)

    repairs = tuple(Repair(p, "replaced", measured(made, read(x))) for p, x in after)
    return replace(sheet(made, read(before).tolist()), repaired=repairs)


def proof(before: Array, part: str, after: Array) -> RepairProof:
    return rank(case(before, (part, after)), unit().bench()).repair[0]


FAULT = unit().shift(0, 0.4)
NOTHING = np.zeros(6)


def test_a_cured_unit_is_told_from_one_that_is_not() -> None:
    gone, same = proof(FAULT, "C1", NOTHING), proof(FAULT, "C1", FAULT)
    assert (gone.outcome, same.outcome) == ("gone", "same")
    assert gone.gone > 0.95
    assert same.same > 0.95


def test_the_wrong_part_changes_nothing() -> None:
    made = proof(FAULT, "C2", FAULT)
    assert made.outcome == "same"
    assert dict(made.priors)["same"] > 0.5  # the ranking did not point to C2
    assert "C2 was not the cause" in made.text


@pytest.mark.slow
def test_a_second_fault_is_named() -> None:
    second = unit().shift(2, 0.6)
    for before in (FAULT, FAULT + second):
        made = proof(before, "C1", second)
        assert made.outcome == "another"
        assert made.another > 0.9
        assert made.remaining[0].startswith("C3")


def test_chances_are_chances_and_priors_are_stated() -> None:
    for part, after in (("C1", NOTHING), ("C3", FAULT), ("C2", NOTHING)):
        made = proof(FAULT, part, after)
        assert made.gone + made.same + made.another == pytest.approx(1.0)
        assert sum(p for _, p in made.priors) == pytest.approx(1.0)


def test_a_new_part_is_hardly_the_fault_again() -> None:
    """Before anything is read, an unchanged fault has the chance that replacing misses it."""
    made = proof(FAULT, "C1", NOTHING)
    missed = mode_for(unit().stage, "C1", "capacitance loss").miss("replaced")
    assert dict(made.priors)["same"] == pytest.approx(missed, abs=0.01)


def test_repairs_follow_each_other() -> None:
    """First the wrong part, then the right one; the first change counts for the second."""
    result = rank(case(FAULT, ("C2", FAULT), ("C1", NOTHING)), unit().bench())
    assert [p.outcome for p in result.repair] == ["same", "gone"]
    assert result.suspects[0].part == "C1"  # the ranking is of the readings before
    before = result.repair[1].lines[0].before
    assert before == pytest.approx(result.repair[0].lines[0].after)


def test_it_is_shown_and_written() -> None:
    result = rank(case(FAULT, ("C1", NOTHING)), unit().bench())
    text = as_text(result)
    assert "After the repair" in text
    assert result.repair[0].text.split(":")[0] in text
    entry = to_json(result)["repair"][0]
    assert entry["outcome"] == "gone"
    assert entry["gone"] + entry["same"] + entry["another"] == pytest.approx(1.0)
    assert len(entry["readings"]) == 6
    assert to_json(rank(sheet(unit(), [0.0] * 6), unit().bench()))["repair"] == []


HEAD = f"stage: {DATA / 'small.yaml'}\nreadings: [{{quantity: dc voltage, at: c1, value: 9 V}}]\n"
LATER = "readings: [{quantity: dc voltage, at: c1, value: 11 V}]"


def loaded(tmp_path: Path, text: str) -> tuple[Repair, ...]:
    path = tmp_path / "case.yaml"
    path.write_text(HEAD.replace(str(DATA), "data") + text)
    (tmp_path / "data").symlink_to(DATA)
    return load_case(path).repaired


def test_one_repair_or_a_list_of_them(tmp_path: Path) -> None:
    (one,) = loaded(tmp_path, f"repaired: {{part: C3, {LATER}}}\n")
    assert (one.part, one.how) == ("C3", "replaced")
    assert [m.value for m in one.readings] == [11.0]
    (tmp_path / "data").unlink()
    many = loaded(tmp_path, f"repaired:\n  - {{part: C3, how: replaced, {LATER}}}\n"
                            "  - {part: R3, how: adjusted}\n")
    assert [(r.part, r.how, len(r.readings)) for r in many] == [
        ("C3", "replaced", 1), ("R3", "adjusted", 0)]


def test_a_part_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no part"):
        loaded(tmp_path, f"repaired: {{part: C33, {LATER}}}\n")

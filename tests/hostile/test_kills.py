"""The short form of the kills: the sheet is there after each, and another answer would be seen."""

from __future__ import annotations

import os
from pathlib import Path
from random import Random

import pytest

from tests.hostile import killed_processes, killed_writers, program

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="a system without fork")


def test_a_sheet_is_whole_after_a_kill_at_any_moment(tmp_path: Path) -> None:
    count = killed_writers.writes(12, Random(1), tmp_path)
    assert count["the sheet is whole, and the last save or the one after it"] == 12
    assert count["sheets in the list"] == 1


@pytest.mark.slow
def test_workers_that_die_give_no_other_answer(tmp_path: Path) -> None:
    count = killed_processes.workers(2, Random(3), tmp_path)
    right = [what for what in count if what.startswith("answer: ") and "other" not in what]
    assert sum(count[what] for what in right) == 2
    assert count["processes left behind"] == count["workers left behind"] == 0


def test_another_answer_is_told_from_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(program, "KEPT", tmp_path)
    right = {"suspects": [{"probability": 0.9}], "problems": []}
    assert program.compared(right, right) == "same"
    near = {"suspects": [{"probability": 0.9 + 1e-9}], "problems": []}
    assert program.compared(near, right) == "same but for rounding"
    other = {"suspects": [{"probability": 0.8}], "problems": []}
    assert program.compared(other, right) == "other"
    assert program.compared(other | {"problems": ["one unit is missing"]}, right) == "named"

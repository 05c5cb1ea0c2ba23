"""The short form of the kills: the sheet is there after each, and another answer would be seen."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import numpy as np
import pytest

from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.answer.result import to_json
from diagnose.door.answers import rank
from faultlib.simulate import Answer, Bench, Laboratory, Problem, Progress
from faultlib.store import Memory
from faultlib.variant import Variant
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


@dataclass(frozen=True)
class Lame:
    """A bench that never gets anywhere with one kind of fault."""

    bench: Bench
    text: str

    def values(
        self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        answer = self.bench.values(stage, variants, readings, progress)
        lost = [k for k, one in enumerate(variants) if one.label().startswith(self.text)]
        values = answer.values.copy()
        values[lost] = np.nan
        told = tuple(Problem(variants[k].label(), "timeout", "no result") for k in lost)
        return replace(answer, values=values, problems=(*answer.problems, *told))


def test_another_answer_is_told_from_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer as the command gives it, and others that are made of it."""
    monkeypatch.setattr(program, "KEPT", tmp_path)
    with Laboratory(Memory(), 0) as bench:
        right = to_json(rank(program.CASE, bench))
        lame = to_json(rank(program.CASE, Lame(bench, "C1 high esr")))
    assert program.compared(right, right) == "same"
    assert program.compared(lame, right) == "named"
    near = right | {"healthy": right["healthy"] * (1.0 + 1e-9)}
    assert program.compared(near, right) == "same but for rounding"
    assert program.compared(right | {"healthy": 0.8}, right) == "other"
    assert program.compared(lame | {"notes": right["notes"]}, right) == "other"

"""An answer with the log beside: priors learnt from it, like cases before, the same unit again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from diagnose.answer.from_log import FromLog
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.log.book import Log
from diagnose.log.learning import learnt
from diagnose.log.like import like, same_unit
from diagnose.log.schema import Damaged, NotLogged
from diagnose.log.wiring import wiring
from diagnose.sheet.case import Case
from faultlib.signature import Stepwise
from faultlib.simulate import Bench


def rank_with_log(
    case: Case, bench: Bench | None = None, progress: Stepwise | None = None,
    path: Path | None = None,
) -> Result:
    """Rank what may be wrong with a unit, with the log at a path.

    Where there is none the answer is that of `rank`, to the last digit; one that cannot be read is
    left out, and the answer says so.

    Parameters
    ----------
    case, bench, progress
        As `diagnose.answer.ranking.rank`.
    path : Path, optional
        None leaves the log out.
    """
    return with_log(case, path, lambda told: rank(told, bench, progress))


def with_log(case: Case, path: Path | None, ranked: Callable[[Case], Result]) -> Result:
    """`rank_with_log`, with another way to rank."""
    if path is None or not path.exists():
        return ranked(case)
    try:
        with Log(path) as log:
            told = case_with_log(case, log)
            before = log.like_stage(case.stage.name, wiring(case.stage))
            numbered = log.of_serial(case.record.of("serial"))
    except (Damaged, NotLogged) as error:
        return replace(ranked(case), log=FromLog(problem=str(error)))
    result = ranked(told)
    record, job = case.record, case.record.of("job")
    return replace(result, log=replace(
        result.log or FromLog(told.learnt.cases),
        like=like(result.departures, before, job),
        earlier=same_unit(result.departures, record.of("unit"), record.of("serial"), numbered,
                          job),
    ))


def case_with_log(case: Case, log: Log) -> Case:
    """The case with what the log says of how parts fail, its own job left out."""
    return replace(case, learnt=learnt(log, case.record.of("job")))


def learnt_case(case: Case, path: Path | None) -> Case:
    """The case with what the log at a path says; as it was where there is none to be read."""
    if path is None or not path.exists():
        return case
    try:
        with Log(path) as log:
            return case_with_log(case, log)
    except (Damaged, NotLogged):
        return case

"""The commands ``diagnose next`` and ``diagnose coverage``: from their words to what is printed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuits.errors import InputError, NoSolution
from circuits.load import load_stage
from diagnose.advice import ranked_readings
from diagnose.advice.next_reading import next_json
from diagnose.advice.ranked_readings import short
from diagnose.inference.infer import weighing
from diagnose.sheet.case import load_case
from diagnose.sheet.proposal import propose
from diagnose.show.figure import check_format, draw
from diagnose.studies.fault_coverage import coverage, coverage_json
from faultlib.signature import Stepwise
from faultlib.simulate import Bench
from faultlib.watched import watched

_MOST_BENCHES = 100_000
_MOST_FOREIGN = 1.0
"""Standard deviation of the logarithm of a value: with 1, one in three is off by a factor of e."""

@dataclass(frozen=True)
class View:
    """An answer as a document and as text of a width, with colours or without."""

    document: Callable[[], dict[str, Any]]
    text: Callable[[int, bool], str]


def next_readings(
    values: argparse.Namespace, bench: Bench, progress: Stepwise | None = None
) -> View:
    """The readings to take next.

    Parameters
    ----------
    values : argparse.Namespace
        With ``case``, ``most`` and ``distortion``.
    bench : Bench
    progress : callable, optional
    """
    if values.most < 1:
        raise InputError(f"--most {values.most} leaves nothing", expected="1 or more")
    case = load_case(values.case)
    bench = watched(bench)
    proposed = ranked_readings.next_readings(
        weighing(case, bench, progress), progress, values.distortion
    )
    missing = bench.missing()

    def document() -> dict[str, Any]:
        made = {"stage": case.stage.name, "case": case.name,
                "next": [next_json(n) for n in proposed]}
        return {**made, "problems": list(missing)} if missing else made

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_next import next_text

        text = next_text(case.name, case.stage.name, short(proposed, values.most), width, colour)
        return text + _below(missing, width)

    return View(document, text)


def covered(values: argparse.Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """What readings find; draws the picture where one is wanted.

    Parameters
    ----------
    values : argparse.Namespace
        With ``stage``, ``readings`` and ``picture``.
    bench : Bench
    progress : callable, optional
    """
    stage = load_stage(values.stage)
    picture: Path | None = values.picture
    if picture is not None:
        check_format(picture)
    if values.readings == "proposal":
        readings = [reading for reading, _ in propose(stage, bench)]
        stated: tuple[str, ...] = ()
    else:
        case = load_case(values.readings)
        if case.stage.name != stage.name or not case.readings:
            raise InputError(f"{values.readings} has no readings of stage {stage.name}",
                             expected=f"a filled case of stage {stage.name}")
        stage, readings = case.stage, [m.reading for m in case.readings]
        stated = case.known
    made = coverage(stage, readings, bench, progress, stated)
    if picture is not None:
        from diagnose.show.coverage_figure import coverage_figure

        draw(coverage_figure(made), picture)
        sys.stderr.write(f"picture: {picture}\n")

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_coverage import coverage_text

        return coverage_text(made, width, colour)

    return View(lambda: coverage_json(made), text)


def scored(values: argparse.Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """Rank random benches of a stage and sum up how right the answers are.

    Parameters
    ----------
    values : argparse.Namespace
        With ``stage``, ``benches``, ``seed``, ``foreign``, ``reference`` and ``picture``.
    bench : Bench
    progress : callable, optional
    """
    import numpy as np

    from diagnose.show.reliability_figure import reliability_figure
    from diagnose.studies.random_benches import HEALTHY, draw_benches, score
    from diagnose.studies.reliability import report, report_json

    stage = load_stage(values.stage)
    picture: Path | None = values.picture
    if picture is not None:
        check_format(picture)
    if not 1 <= values.benches <= _MOST_BENCHES:
        raise InputError(f"{values.benches} benches cannot be ranked",
                         expected=f"1 to {_MOST_BENCHES}")
    if values.seed < 0:
        raise InputError(f"--seed {values.seed} starts no random numbers", expected="0 or more")
    if values.foreign is not None and not 0.0 <= values.foreign <= _MOST_FOREIGN:
        raise InputError(f"--foreign {values.foreign:g} is no share by which values differ",
                         expected=f"0 to {_MOST_FOREIGN:g}, such as 0.05")
    bench = watched(bench)
    readings = [reading for reading, _ in propose(stage, bench)]
    drawn = draw_benches(stage, readings, values.benches, bench,
                         np.random.default_rng(values.seed), HEALTHY, None, values.foreign)
    found = score(stage, readings, drawn, bench, progress, values.reference)
    missing: tuple[str, ...] = ()
    if bench.late:
        missing = (f"time was over when {len(found)} of {values.benches} benches were ranked",)
    if not found:
        raise NoSolution(f"none of {values.benches} benches of stage {stage.name} could be ranked"
                         + "".join(f": {text}" for text in missing))
    made = report(stage.name, found)
    if picture is not None:
        draw(reliability_figure(made), picture)
        sys.stderr.write(f"picture: {picture}\n")

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_reliability import score_text

        return score_text(made, width, colour) + _below(missing, width)

    def document() -> dict[str, Any]:
        return {**report_json(made), "problems": list(missing)} if missing else report_json(made)

    return View(document, text)


def _below(missing: tuple[str, ...], width: int) -> str:
    """What is missing, as lines below an answer."""
    if not missing:
        return ""
    from diagnose.show.text_page import Page

    page = Page(width, False)
    page.line()
    for text in missing:
        page.line(text[:1].upper() + text[1:] + ".")
    return page.text()

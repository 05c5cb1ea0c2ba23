"""The commands ``diagnose next`` and ``diagnose coverage``: from their words to what is printed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuits.cautions import caution_texts
from circuits.errors import InputError
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
        raise InputError(f"--most {values.most} leaves nothing to show", expected="1 or more")
    case = load_case(values.case)
    proposed = ranked_readings.next_readings(
        weighing(case, bench, progress), progress, values.distortion
    )
    cautions = caution_texts(case.stage)

    def document() -> dict[str, Any]:
        return {"stage": case.stage.name, "case": case.name, "cautions": list(cautions),
                "next": [next_json(n) for n in proposed]}

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_next import next_text

        return next_text(case.name, case.stage.name, short(proposed, values.most), width, colour,
                         cautions)

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
    if values.benches < 1:
        raise InputError(f"{values.benches} units tell nothing", expected="1 or more")
    readings = [reading for reading, _ in propose(stage, bench)]
    drawn = draw_benches(stage, readings, values.benches, bench,
                         np.random.default_rng(values.seed), HEALTHY, None, values.foreign)
    found = score(stage, readings, drawn, bench, progress, values.reference)
    made = report(stage.name, found)
    if picture is not None:
        draw(reliability_figure(made), picture)
        sys.stderr.write(f"picture: {picture}\n")

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_reliability import score_text

        return score_text(made, width, colour)

    return View(lambda: report_json(made), text)

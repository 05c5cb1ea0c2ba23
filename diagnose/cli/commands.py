"""The commands ``next``, ``coverage`` and ``score``: from their words to what is printed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuits.cautions import caution_texts
from circuits.errors import InputError
from diagnose.advice.next_reading import next_document
from diagnose.advice.ranked_readings import short
from diagnose.door import answers
from diagnose.sheet.case import load_case
from diagnose.show.figure import check_format, draw
from diagnose.studies.fault_coverage import coverage_json
from faultlib.signature import Stepwise
from faultlib.simulate import Bench
from faultlib.watched import watched


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
        With ``case``, ``most``, ``distortion`` and ``without_log``.
    """
    if values.most < 1:
        raise InputError(f"--most {values.most} leaves nothing to show", expected="1 or more")
    case = load_case(values.case)
    bench = watched(bench)
    proposed = answers.next_readings(case, None, values.distortion, bench, progress,
                                     not values.without_log)
    cautions = caution_texts(case.stage)
    missing = bench.missing()

    def document() -> dict[str, Any]:
        body = next_document(case, proposed)
        return {**body, "problems": list(missing)} if missing else body

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_next import next_text

        text = next_text(case.name, case.stage.name, short(proposed, values.most), width, colour,
                         cautions)
        return text + _below(missing, width)

    return View(document, text)


def covered(values: argparse.Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """What readings find; draws the picture where one is wanted.

    Parameters
    ----------
    values : argparse.Namespace
        With ``stage``, ``readings`` and ``picture``.
    """
    picture: Path | None = values.picture
    if picture is not None:
        check_format(picture)
    answer = answers.coverage(values.stage, asked(values.readings), bench, progress)
    if picture is not None:
        from diagnose.show.coverage_figure import coverage_figure

        draw(coverage_figure(answer), picture)
        sys.stderr.write(f"picture: {picture}\n")

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_coverage import coverage_text

        return coverage_text(answer, width, colour)

    return View(lambda: coverage_json(answer), text)


def scored(values: argparse.Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """Rank random benches of a stage and sum up how right the answers are.

    Parameters
    ----------
    values : argparse.Namespace
        With ``stage``, ``benches``, ``seed``, ``foreign``, ``reference`` and ``picture``.
    """
    from diagnose.show.reliability_figure import reliability_figure
    from diagnose.studies.reliability import report_json

    picture: Path | None = values.picture
    if picture is not None:
        check_format(picture)
    bench = watched(bench)
    said = answers.score(values.stage, values.benches, values.seed, values.foreign,
                         values.reference, bench, progress)
    missing: tuple[str, ...] = ()
    if bench.late:
        missing = (f"time was over when {said.benches} of {values.benches} units were ranked",)
    if picture is not None:
        draw(reliability_figure(said), picture)
        sys.stderr.write(f"picture: {picture}\n")

    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_reliability import score_text

        return score_text(said, width, colour) + _below(missing, width)

    def document() -> dict[str, Any]:
        return {**report_json(said), "problems": list(missing)} if missing else report_json(said)

    return View(document, text)


def asked(source: str) -> Path | None:
    """The case file whose readings are meant; None for those of a blank sheet."""
    return None if source == "proposal" else Path(source)


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

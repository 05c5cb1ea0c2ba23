"""The blank sheet for the clip-board: of a sheet as it stands, or of a stage that ships."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flask import Blueprint, render_template

from circuits.errors import InputError
from circuits.load import load_stage, stage_names, unit_names
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.case import Case
from diagnose.show.blank_paper import Paper, paper, paper_body
from diagnose.web.desk import desk
from diagnose.web.records import record_of
from diagnose.web.sheet import Entry, Typed

papers = Blueprint("papers", __name__)
_STAND_IN = "1"
"""What stands for a value that is still to be read: a number that every quantity can be."""


@papers.get("/sheet/<name>/paper")
def of_sheet(name: str) -> str:
    """The page, which asks for the sheet."""
    kept = desk().shelf.load(name)
    return render_template("paper_page.html", name=name, title=kept.sheet.case,
                           body=f"/sheet/{name}/paper/body")


@papers.get("/stages/<name>/paper")
def of_stage(name: str) -> str:
    """The page, which asks for the sheet."""
    stage = _shipped(name)
    return render_template("paper_page.html", title=stage.title or name,
                           body=f"/stages/{name}/paper/body")


@papers.get("/stages/<name>/paper/body")
def stage_body(name: str) -> str:
    """The blank sheet of a stage: the readings that are proposed for it."""
    stage = _shipped(name)
    return paper_body(_paper(stage, None))


@papers.get("/sheet/<name>/paper/body")
def sheet_body(name: str) -> str:
    """The blank sheet of a sheet: its own readings, with or without values."""
    kept = desk().shelf.load(name)
    case = desk().look(filled(kept.sheet), kept.folder).case
    if case is None:
        raise InputError("the sheet does not say yet which stage it is", expected="a stage")
    sheet = _paper(case.stage, asked(case) or None, case)
    return paper_body(replace(sheet, title=kept.sheet.case or sheet.title,
                              record=record_of(kept.sheet)))


def filled(sheet: Typed) -> Typed:
    """A sheet with a value wherever one is still to be read, so that it loads as a whole."""
    return replace(sheet, readings=tuple(map(_filled, sheet.readings)), repaired=())


def _filled(entry: Entry) -> Entry:
    points = tuple(replace(p, values=tuple(v or _STAND_IN for v in p.values))
                   for p in entry.points)
    if entry.source != "value":
        return replace(entry, points=points)
    return replace(entry, values=tuple(v or _STAND_IN for v in entry.values))


def asked(case: Case) -> list[Reading]:
    """The readings of a sheet, of both channels where there are two."""
    sides = [read for _, read in case.channels] or [case.readings]
    return list(dict.fromkeys(m.reading for side in sides for m in side))


def _paper(stage: Stage, readings: Sequence[Reading] | None, case: Case | None = None) -> Paper:
    lines, good = desk().aside.run("on_paper", stage, readings)
    return paper(
        stage, [r for r, _ in lines],
        {r: one for (r, _), one in zip(lines, good, strict=True) if one is not None},
        notes={r: text for r, text in lines if text},
        manual=case.expected if case else (),
        channels=tuple(name for name, _ in case.channels) if case else (),
    )


def _shipped(name: str) -> Stage:
    if name not in (*stage_names(), *unit_names()):
        raise InputError(f"there is no stage {name!r}", expected="a stage that ships")
    return load_stage(name)

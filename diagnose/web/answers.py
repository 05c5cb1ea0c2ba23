"""Pages and requests of an answer: ranking, progress, cancelling, pictures, the next reading."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import date
from html import escape

from flask import Blueprint, Response, jsonify, render_template, request

from circuits.errors import AmplifierError, InputError
from diagnose.answer.result import Result
from diagnose.log.entry import GOOD, OTHER
from diagnose.sheet.case import Case
from diagnose.sheet.record import FIELDS, PARTS
from diagnose.show.chart_scale import View
from diagnose.show.embedded import charts, drawing, lit
from diagnose.show.figure import Figure
from diagnose.show.report_file import report_body, report_html
from diagnose.show.text_log import PROOFS
from diagnose.web.desk import Desk, desk
from diagnose.web.guard import REPORT_POLICY
from diagnose.web.jobs import Job
from diagnose.web.listed import first_said
from diagnose.web.places import place, slug
from diagnose.web.records import record_of
from diagnose.web.remaining import words
from diagnose.web.sheet import Entry, Typed
from diagnose.web.sheets import loaded
from diagnose.web.shelf import Kept, NotKept
from faultlib.catalogue import hypotheses

answers = Blueprint("answers", __name__)
RANKED = ".ranked.yaml"
_DRIVEN = 6.0
"""By how much a fault takes longer under drive: of the examples, 0.13 s to 0.02 s."""
NOTHING = ("<p class=dim>Nothing was read at two frequencies or levels, and no recording is kept "
           "with this sheet: there is nothing to plot.</p>")
"""In the place of plots."""
_MOST_WIDTH = 1600.0
"""CSS pixels that a request may ask a chart to be wide."""


@answers.get("/sheet/<name>/suspects")
def suspects(name: str) -> str:
    """The page of the answer, which asks for it."""
    kept = desk().shelf.load(name)
    return render_template("suspects.html", name=name, title=kept.sheet.case, tab="suspects")


@answers.get("/sheet/<name>/report")
def report(name: str) -> str:
    """The page of the report, which asks for it."""
    kept, sheet = loaded(name)
    known = [] if sheet.case is None else hypotheses(sheet.case.stage, sheet.case.age)
    return render_template("report_page.html", name=name, title=kept.sheet.case, tab="report",
                           record=record_of(kept.sheet), fields=FIELDS, parts=PARTS,
                           findings=[GOOD, OTHER, *(f"{h.part}: {h.mode.name}" for h in known)],
                           proofs=PROOFS)


@answers.post("/sheet/<name>/rank")
def rank(name: str) -> Response:
    """Start a ranking of the sheet as it stands, unless there is one."""
    kept, sheet = loaded(name)
    if sheet.problems or sheet.case is None:
        return jsonify(state="mistakes", problems=[
            {"text": p.text, "where": place(kept.sheet, p.field), "field": slug(p.field)}
            for p in sheet.problems
        ])
    return jsonify(_state(begun(desk(), kept, sheet.case)))


def begun(at: Desk, kept: Kept, case: Case) -> Job:
    """The ranking of a sheet as it stands, begun unless there is one."""
    # a copy, so that the answer is of this revision whatever is typed meanwhile
    path = kept.folder / RANKED
    job = at.jobs.of(kept.name)
    if job is None or job.revision != kept.revision or job.state != "done":
        path.write_bytes(kept.path.read_bytes())
    return at.jobs.start(kept.name, kept.revision, path, _work(case))


@answers.get("/sheet/<name>/rank")
def progress(name: str) -> Response:
    """How far the ranking is."""
    job = desk().jobs.of(name)
    return jsonify(_state(job) if job else {"state": "none"})


@answers.delete("/sheet/<name>/rank")
def cancel(name: str) -> Response:
    """End the ranking."""
    desk().jobs.cancel(name)
    return progress(name)


def _state(job: Job) -> dict[str, object]:
    steps = [[what, done, total] for what, (done, total) in list(job.steps.items())]
    left = desk().jobs.left(job)
    return {"state": job.state, "revision": job.revision, "steps": steps, "text": job.text,
            "seconds": round(job.elapsed, 2), "left": "" if left is None else words(left)}


def _work(case: Case) -> float:
    """How much there is to simulate: every fault, under drive or at rest."""
    sides = [read for _, read in case.channels] or [case.readings]
    driven = any(read.reading.driven for side in sides for read in side)
    return len(hypotheses(case.stage)) * (_DRIVEN if driven else 1.0)


@answers.get("/sheet/<name>/answer")
def answer(name: str) -> str:
    """The answer in words, with the drawing."""
    kept, case, _, result = finished(name)
    doubted = desk().checked(kept).doubted
    with suppress(NotKept):  # a full disk does not keep one from reading
        desk().shelf.note_ranked(name, kept.revision, first_said(result))
    return render_template(
        "answer_page.html", result=result, name=name, case=case, revision=kept.revision,
        drawing=drawing(case.stage, lit(result)), others=_others(result),
        parts={p.name: p.role for p in case.stage.parts},
        asked=[(f"{place(kept.sheet, field)}: {text}", slug(field)) for field, text in doubted],
    )


@answers.get("/sheet/<name>/curves")
def curves(name: str) -> str:
    """The curves of the answer, with one suspect's prediction; of one panel it alone.

    What is looked at stands in ``view=NUMBER:FROM,TO`` of each panel that is not shown whole.
    """
    kept, _, job, result = finished(name)
    index = request.args.get("suspect", 0, type=int)
    wide = min(request.args.get("width", 520.0, type=float), _MOST_WIDTH)
    high = min(request.args.get("height", 0.0, type=float), _MOST_WIDTH)
    figure = _figure(kept, job, result, index)
    if not figure.panels:
        return NOTHING
    only = request.args.get("panel", None, type=int)
    drawn = charts(figure, wide, high, views(request.args.getlist("view")), only)
    return drawn if only is not None else drawn + f"<p class=dim>{escape(figure.note)}</p>"


def views(sent: list[str]) -> dict[int, View]:
    """What is looked at of which panel.

    Raises
    ------
    InputError
        For a text that is none.
    """
    parted = [text.partition(":") for text in sent]
    return {int(panel): View.of(text) for panel, _, text in parted if panel.isdecimal()}


def _figure(kept: Kept, job: Job, result: Result, index: int) -> Figure:
    chosen = index if 0 <= index < len(result.suspects) else None
    return desk().jobs.picture(job, str(chosen), kept.folder / RANKED, chosen)


@answers.post("/sheet/<name>/reading")
def reading(name: str) -> Response:
    """Put a reading that was proposed on the sheet, with what was read.

    A value that is wrong is explained and not kept.
    """
    kept = desk().shelf.load(name)
    sent = request.get_json()
    if not isinstance(sent, dict):
        raise InputError("this is not a reading", expected="conditions and a value")
    value, revision = str(sent.get("value", ""))[:200].strip(), sent.get("revision")
    number = sent.get("next")
    job = desk().jobs.of(name)
    if job is None or job.result is None or not isinstance(number, int):
        raise InputError("there is no answer that proposes this reading", expected="a ranking")
    proposed = job.result.next[number] if 0 <= number < len(job.result.next) else None
    if proposed is None or not isinstance(revision, int):
        raise InputError("this reading was not proposed", expected="one of the list")
    if not value:
        raise InputError("nothing was entered", expected="a value with its unit")
    sheet = with_reading(kept.sheet, proposed.conditions, value)
    problems = desk().look(sheet, kept.folder).problems
    if problems:
        return jsonify(problem=problems[0].text)
    kept = desk().shelf.save(name, sheet, revision)
    return jsonify(revision=kept.revision)


def with_reading(sheet: Typed, conditions: tuple[tuple[str, object], ...], value: str) -> Typed:
    """The sheet with one more reading, of the channel under suspicion where there are two."""
    words = {key: ", ".join(map(str, word)) if isinstance(word, list) else str(word)
             for key, word in conditions}
    values = tuple(value if name == sheet.suspect else "" for name in sheet.channels) or (value,)
    entry = Entry(words.pop("quantity"), tuple(words.items()), values=values)
    return replace(sheet, readings=(*sheet.readings, entry))


@answers.get("/sheet/<name>/report.html")
def report_file(name: str) -> Response:
    """The report as one file."""
    kept, case, job, result = finished(name)
    text = report_html(case, result, _figure(kept, job, result, 0), date.today())
    answer = Response(text, mimetype="text/html")
    answer.headers["Content-Security-Policy"] = REPORT_POLICY
    if "download" in request.args:
        answer.headers["Content-Disposition"] = f'attachment; filename="{name}.html"'
    return answer


@answers.get("/sheet/<name>/report/body")
def report_inside(name: str) -> str:
    """The report as part of a page."""
    kept, case, job, result = finished(name)
    return report_body(case, result, _figure(kept, job, result, 0), date.today())


def finished(name: str) -> tuple[Kept, Case, Job, Result]:
    """A sheet with its answer.

    Raises
    ------
    AmplifierError
        For one that was not ranked as it stands.
    """
    kept, sheet = loaded(name)
    job = desk().jobs.of(name)
    if job is None or job.result is None or sheet.case is None or job.revision != kept.revision:
        raise AmplifierError("this sheet has not been ranked as it stands")
    return kept, sheet.case, job, job.result


def _others(result: Result) -> list[tuple[float, str]]:
    """What else it may be."""
    rows = [
        (result.nothing, "nothing wrong, or nothing that shows in these readings"),
        (result.unmodelled, "a fault that is not in the library"),
    ]
    return rows + ([(result.rest, "all other faults together")] if result.rest > 0.0 else [])



"""The page of closed jobs: the list, what they come to, and logs that come and go by hand."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from flask import Blueprint, Response, jsonify, render_template, request

from circuits.errors import InputError
from diagnose.answer.result import Result
from diagnose.log.book import Log
from diagnose.log.close import brought_up, closed, job_of
from diagnose.log.closing import read_closing
from diagnose.log.exchange import FORMATS, export, read_log
from diagnose.log.folder import leave_out, left_out, log_in
from diagnose.log.statistics import statistics
from diagnose.sheet.case import Case
from diagnose.sheet.record import CLOSED, PARTS
from diagnose.show.embedded import charts
from diagnose.show.log_figure import log_figure
from diagnose.show.text_log import (
    PROOFS,
    SIGNS,
    first_answer,
    mean_time,
    right_words,
    saved_words,
    when,
)
from diagnose.web.answers import RANKED, finished
from diagnose.web.desk import desk
from diagnose.web.records import record_of, with_record

logged = Blueprint("logged", __name__)
_MOST_LISTED = 300
"""Jobs that the page lists; all of them stand in the log that it saves."""
_WIDE = 560.0
"""CSS pixels that a chart of the page has."""
_MOST_TEXT = 2000
"""Signs of one field of the form, as of a record."""


def _path() -> Path:
    return log_in(desk().shelf.folder)


@logged.get("/log")
def page() -> str:
    """The list of closed jobs and the statistics of the shop."""
    entries, problem = [], ""
    if _path().exists():
        try:
            with Log(_path()) as log:
                brought_up(log)
                entries = log.entries()
        except InputError as error:
            problem = str(error)
    made = statistics(entries)
    figure = log_figure(made)
    shelf = desk().shelf
    names = {str(shelf.folder / label.name / "sheet.yaml"): label.name for label in shelf.labels()}
    return render_template(
        "log.html", tab="log", entries=entries[:_MOST_LISTED], made=made, problem=problem,
        signs=SIGNS,
        charts=charts(figure, _WIDE) if entries else "", right=right_words(made.right),
        saved=saved_words(made), mean_time=mean_time, first_answer=first_answer, when=when,
        proofs=PROOFS, sheets={e.job: names.get(e.sheet, "") for e in entries},
        left_out=left_out(shelf.folder),
    )


@logged.post("/sheet/<name>/close")
def close(name: str) -> Response:
    """Close the job of a sheet that was ranked."""
    sent = request.get_json()
    if not isinstance(sent, dict):
        raise InputError("this does not close a job", expected="what it was, and how it was proved")
    kept, case, _, result = finished(name)
    said = {f.word: _text(sent.get(f.word)) for f in CLOSED if f.word != "job"}
    with Log(_path()) as log:
        job = job_of(replace(case, path=kept.path), log)
    faults = read_closing(said, case.stage).faults

    def ranked(asked: Case) -> Result:
        if asked == case:
            return result
        return desk().short.run("first_answer", str(kept.folder / RANKED), faults)  # type: ignore[no-any-return]

    made = closed(case, said, None, ranked, job)
    fields = {**dict(made.record.fields), PARTS.word: "\n".join(made.record.parts)}
    now = desk().shelf.amend(name, lambda sheet: with_record(
        sheet, {**dict(record_of(sheet).fields), **fields}))
    with Log(_path()) as log:
        entry = log.put(replace(made.entry, sheet=str(now.path)))
    return jsonify(job=entry.job, revision=now.revision)


@logged.get("/log/<name>")
def hand_on(name: str) -> Response:
    """The log as a file for another shop, with ``without-serials`` without those."""
    form = "." + name.rpartition(".")[2]
    if name not in {f"log{known}" for known in FORMATS}:
        raise InputError(f"{name[:40]!r} is no form of a log", choices=FORMATS, given=form)
    with tempfile.TemporaryDirectory() as folder, Log(_path()) as log:
        file = Path(folder) / name
        export(file, log.entries(struck=True), log.services(struck=True),
               "without-serials" not in request.args)
        answer = Response(file.read_bytes(), mimetype="text/csv" if form == ".csv"
                          else "application/jsonl")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@logged.post("/log")
def take_over() -> Response:
    """Take the log of another shop over; no job twice."""
    file = request.files.get("file")
    given = "" if file is None else file.filename or ""
    form = Path(given).suffix.lower()
    if file is None or form not in FORMATS:
        raise InputError(f"{given[:60]!r} is no log that was handed on",
                         expected="a file that ends in " + " or ".join(FORMATS))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{form}"
        file.save(path)
        entries = list(read_log(path))
    with Log(_path()) as log:
        made = log.merge(entries)
    return jsonify(added=made.added, newer=made.newer, known=made.known)


@logged.post("/log/strike")
def strike() -> Response:
    """Take a job out of the log."""
    sent = request.get_json()
    job = _text(sent.get("job")) if isinstance(sent, dict) else ""
    with Log(_path()) as log:
        return jsonify(struck=log.strike(job).job)


@logged.put("/log/left-out")
def switch() -> Response:
    """Rank without the log, or with it."""
    sent = request.get_json()
    if not isinstance(sent, dict) or not isinstance(sent.get("out"), bool):
        raise InputError("this does not say whether the log is left out", expected="true or false")
    leave_out(desk().shelf.folder, sent["out"])
    return jsonify(out=left_out(desk().shelf.folder))


def _text(given: object) -> str:
    if given is None:
        return ""
    if not isinstance(given, str) or len(given) > _MOST_TEXT or not given.isprintable():
        raise InputError("this is not a text of the form", expected=f"up to {_MOST_TEXT} signs")
    return given.strip()

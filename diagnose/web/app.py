"""The page's server as a Flask application: what it is made of, and how mistakes are told."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path

from flask import Flask, Response, jsonify, render_template, request
from werkzeug.exceptions import HTTPException

from circuits.cautions import HEADING
from circuits.errors import AmplifierError, InputError
from diagnose.show.filters import FILTERS
from diagnose.web.answers import answers
from diagnose.web.bench import bench
from diagnose.web.desk import KEY, Desk
from diagnose.web.guard import HOSTS, STRANGER, protect
from diagnose.web.imports import imports
from diagnose.web.listed import listed
from diagnose.web.logged import logged
from diagnose.web.opening import opening
from diagnose.web.papers import papers
from diagnose.web.photos import photos
from diagnose.web.plots import forget as forget_plots
from diagnose.web.plots import plots
from diagnose.web.records import records
from diagnose.web.sheets import sheets
from diagnose.web.shelf import NotKept, Outdated, Shelf
from diagnose.web.stage_shelf import StageShelf
from diagnose.web.stages import stages
from diagnose.web.studies import forget as forget_study
from diagnose.web.studies import studies
from diagnose.web.swift import make_swift
from diagnose.web.tables import tables
from diagnose.web.worker import Stopped, Worker

_log = logging.getLogger(__name__)
_DRAWING = 60.0
"""Seconds that a drawing may take to be made; then parts and neighbours are shown."""
_STUDY = 20.0
"""Seconds that one size of a study may take."""
_HEALTHY = 60.0
"""Seconds that the healthy unit of a stage may take: that of a large one takes ten."""
_RANKINGS = 2
"""Rankings at a time: the second is for a small stage beside a large one, as one uses all cores."""
_NICE = 10
"""What rankings give way by (nice): beside one, other work then gets nine tenths of a core."""
_NOT_THERE = ("there is no sheet", "there is no stage")
"""How a message begins that is told as a page that is not there."""
_NO_ROOM = 507
"""The status "Insufficient Storage" (RFC 4918)."""


def make_app(
    folder: Path, workers: int | None = None, cached: bool = True,
    secret: str | None = None, hosts: Sequence[str] = HOSTS,
) -> Flask:
    """The application.

    Parameters
    ----------
    folder : Path
        Where sheets are kept.
    workers : int or None
        Processes that simulate; None is one a core.
    cached : bool
        Whether what was simulated is kept in the user's store.
    secret : str or None
        What a request must have; None, for an application that is asked in its own process
        alone, asks for none.
    hosts : sequence of str
        Names under which it may be asked for.
    """
    app = Flask(__name__)
    protect(app, secret, hosts)
    make_swift(app)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    app.jinja_env.filters.update(FILTERS)
    app.jinja_env.globals["cautions_heading"] = HEADING
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.extensions[KEY] = Desk(
        Shelf(folder), StageShelf(folder),
        many=tuple(Worker(workers, cached, nice=_NICE) for _ in range(_RANKINGS)),
        quick=Worker(0, cached=False, deadline=_STUDY),
        drawer=Worker(0, cached=False, deadline=_DRAWING),
        short=Worker(0, cached), aside=Worker(0, cached, deadline=_HEALTHY),
        slow=Worker(workers, cached, nice=_NICE),
        rooms=(forget_study, forget_plots),
    )
    for room in (listed, opening, sheets, tables, photos, answers, studies, stages, imports,
                 records, papers, logged, plots, bench):
        app.register_blueprint(room)
    app.register_error_handler(AmplifierError, _refused)
    app.register_error_handler(OSError, _disk)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(RuntimeError, _bug)
    return app


def _refused(error: AmplifierError) -> tuple[Response | str, int]:
    if isinstance(error, Outdated):
        return jsonify(error=str(error), revision=error.revision), 409
    if isinstance(error, Stopped):
        return _told("stopped", 503)
    if isinstance(error, NotKept):
        return _told(str(error), _NO_ROOM)
    missing = isinstance(error, InputError) and error.message.startswith(_NOT_THERE)
    return _told(str(error), 404 if missing else 422)


def _disk(error: OSError) -> tuple[Response | str, int]:
    """What could not be written or read on the way, such as a recording that was sent."""
    _log.warning("the disk refused", exc_info=error)
    return _told(str(NotKept(error)), _NO_ROOM)


def _http(error: HTTPException) -> tuple[Response | str, int]:
    words = {
        400: "this request cannot be used",
        404: "there is no such page",
        413: "this is too large to be taken",
    }
    code = error.code or 500
    return _told(words.get(code, error.description or error.name), code)


def _bug(error: RuntimeError) -> tuple[Response | str, int]:
    _log.error("a fault of the program", exc_info=error)
    return _told(f"A fault of the program, not of what was typed:\n{error}", 500)


def _told(text: str, code: int) -> tuple[Response | str, int]:
    """A mistake as a page where a page was asked for, else as data."""
    if request.headers.get("Sec-Fetch-Dest") == "document" and request.method == "GET":
        if text == STRANGER:  # who is not let in gets no style either
            return render_template("stranger.html", text=text), code
        return render_template("mistake.html", text=text, code=code), code
    return jsonify(error=text), code

"""The page of the plots: what was measured at once, then where good units lie, or the suspect.

Good units under drive take minutes: they are made aside (`diagnose.web.under_drive`), and the page
asks how far that is.
"""

from __future__ import annotations

import threading
from html import escape

from flask import Blueprint, Response, jsonify, render_template, request

from circuits.errors import InputError
from diagnose.sheet.case import Case
from diagnose.show.answer_figure import takes_long
from diagnose.show.embedded import charts
from diagnose.show.figure import Figure
from diagnose.web.answers import NOTHING, RANKED, views
from diagnose.web.desk import desk
from diagnose.web.places import place, slug
from diagnose.web.sheets import loaded
from diagnose.web.shelf import Kept

plots = Blueprint("plots", __name__)
STEPS = ("measured", "good", "driven", "suspect")
"""What is drawn: each with all of the one before, and the suspect with all but itself."""
_MOST_WIDTH = 1600.0
"""CSS pixels that a request may ask a plot to be wide."""
_MOST_KEPT = 20
"""Figures that stay in memory."""
_figures: dict[tuple[str, int, str], Figure] = {}
"""By sheet, when its file was written, and step."""
_lock = threading.Lock()


def forget(name: str) -> None:
    """Keep nothing of a sheet that is put away."""
    with _lock:
        for old in [key for key in _figures if key[0] == name]:
            del _figures[old]


@plots.get("/sheet/<name>/plots")
def page(name: str) -> str:
    """The page, which asks for the plots, the last ones that there can be now."""
    kept, sheet = loaded(name)
    problems = [] if sheet.case is not None else [
        {"text": p.text, "where": place(kept.sheet, p.field), "field": slug(p.field)}
        for p in sheet.problems
    ]
    steps = _steps(kept, sheet.case) if sheet.case is not None else []
    return render_template("plots.html", name=name, title=kept.sheet.case, tab="plots",
                           problems=problems, steps=steps, channels=kept.sheet.channels,
                           written=_written(kept))


@plots.get("/sheet/<name>/plots/drawn")
def drawn(name: str) -> str:
    """All plots of a step, or one panel alone as it is looked at."""
    kept, sheet = loaded(name)
    step = request.args.get("step", STEPS[0])
    if step not in STEPS:
        raise InputError(f"there are no plots {step!r:.30}", choices=STEPS, given=step)
    if sheet.case is None:
        raise InputError("this sheet cannot be read yet", expected="its mistakes set right")
    wide = min(request.args.get("width", 520.0, type=float), _MOST_WIDTH)
    only = request.args.get("panel", None, type=int)
    figure = _figure(kept, sheet.case, step)
    if not figure.panels:
        return NOTHING
    made = charts(figure, wide, 0.0, views(request.args.getlist("view")), only)
    return made if only is not None else made + f'<p class="dim note">{escape(figure.note)}</p>'


@plots.get("/sheet/<name>/plots/steps")
def steps(name: str) -> Response:
    """Which plots there are of the sheet as it stands, and when that was written.

    There are none of a sheet that cannot be read, such as one with a row half typed.
    """
    kept, sheet = loaded(name)
    steps = [] if sheet.case is None else _steps(kept, sheet.case)
    return jsonify(steps=steps, written=_written(kept))


@plots.post("/sheet/<name>/plots/driven")
def begin(name: str) -> Response:
    """Begin with good units under drive of the sheet as it stands, unless that was done."""
    kept, sheet = loaded(name)
    if sheet.case is None:
        raise InputError("this sheet cannot be read yet", expected="its mistakes set right")
    made = desk().under_drive.start(name, kept.path, kept.path.stat().st_mtime_ns)
    return jsonify(made.told())


@plots.get("/sheet/<name>/plots/driven")
def progress(name: str) -> Response:
    """How far that is."""
    kept = desk().shelf.load(name)
    made = desk().under_drive.of(name, kept.path.stat().st_mtime_ns)
    return jsonify({"state": "none"} if made is None else made.told())


@plots.delete("/sheet/<name>/plots/driven")
def stop(name: str) -> Response:
    """End that; what was simulated is kept."""
    desk().under_drive.forget(name)
    return jsonify(state="stopped")


def _steps(kept: Kept, case: Case) -> list[str]:
    """What is drawn one after the other: the suspect in the place of good units once ranked."""
    job = desk().jobs.of(kept.name)
    if job is not None and job.result is not None and job.revision == kept.revision:
        return ["measured", "suspect"]
    at_rest = [] if case.stage.chain is not None else ["good"]
    return ["measured", *at_rest, *(["driven"] if takes_long(case) else [])]


def _written(kept: Kept) -> str:
    """When a sheet was written, as one word."""
    return str(kept.path.stat().st_mtime_ns)


def _figure(kept: Kept, case: Case, step: str) -> Figure:
    written = kept.path.stat().st_mtime_ns
    key = (kept.name, written, step)
    job = desk().jobs.of(kept.name)
    if step == "suspect" and job is not None and job.result is not None \
            and job.revision == kept.revision:
        index = 0 if job.result.suspects else None
        return desk().jobs.picture(job, str(index), kept.folder / RANKED, index)
    if step in ("driven", "suspect"):
        made = desk().under_drive.of(kept.name, written)
        if made is not None and made.figure is not None:
            return made.figure
        # the sheet was changed meanwhile, or it was given up: what there is at once
        step = "measured" if case.stage.chain is not None else "good"
        key = (kept.name, written, step)
    with _lock:
        known = _figures.get(key)
    if known is None:
        worker = desk().aside if step == "good" else desk().short
        known = worker.run("plotted", str(kept.path), step)
        with _lock:
            for old in [k for k in _figures if k[0] == kept.name and k[1] != written]:
                del _figures[old]
            _figures[key] = known
            while len(_figures) > _MOST_KEPT:
                del _figures[next(iter(_figures))]
    return known

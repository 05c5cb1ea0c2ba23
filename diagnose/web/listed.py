"""The start page: the list of sheets, and what is done with one there."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify, render_template, request

from circuits.errors import InputError
from circuits.load import load_stage, stage_names, unit_names
from diagnose.answer.outcome import NOTHING, UNKNOWN
from diagnose.answer.result import Result
from diagnose.show.wording import chance
from diagnose.web.desk import desk
from diagnose.web.sheet import from_page

listed = Blueprint("listed", __name__)
_FEW = 6
"""Sheets that can be looked over without a field to search them by."""


@listed.get("/")
def start() -> str:
    """The list of sheets, and the stages to begin one with."""
    stages = [load_stage(name) for name in (*stage_names(), *unit_names())]
    own, shelf = desk().stages, desk().shelf
    labels = shelf.labels()
    return render_template("start.html", labels=labels, searched=len(labels) >= _FEW,
                           deleted=shelf.binned(), stages=stages, own=own.labels(),
                           binned=own.binned())


@listed.post("/sheet/<name>/title")
def title(name: str) -> Response:
    """Call a sheet otherwise."""
    sent = request.get_json()
    text = " ".join(str(sent.get("title", "")).split())[:200] if isinstance(sent, dict) else ""
    if not text:
        raise InputError("a sheet is called something", expected="a name")
    # through the form of a page, which knows what signs a name may have
    kept = desk().shelf.rename(name, from_page({"case": text}).case)
    return jsonify(title=kept.sheet.case, revision=kept.revision)


@listed.post("/sheet/<name>/delete")
def delete(name: str) -> Response:
    """Put a sheet into the bin, from which it can be had back."""
    at = desk()
    at.jobs.cancel(name)
    run = at.runs.of(name)
    if run is not None:
        run.end()
    at.shelf.delete(name)
    at.forget(name, at.shelf.folder / name)
    return jsonify(deleted=name)


@listed.post("/sheet/<name>/restore")
def restore(name: str) -> Response:
    """Take a sheet out of the bin."""
    desk().shelf.restore(name)
    return jsonify(sheet=name)


def first_said(result: Result) -> str:
    """What an answer says first, in a few words for the list."""
    if result.answer.kind == NOTHING:
        return f"nothing wrong shows ({chance(result.nothing)})"
    if result.answer.kind == UNKNOWN or not result.suspects:
        return "none of the known faults"
    first = result.suspects[0]
    return f"{first.name} ({chance(first.probability)})"

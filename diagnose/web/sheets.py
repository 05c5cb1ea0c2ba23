"""Pages and requests of sheets: a new one, typing, saving, sweeps and recordings, drawings."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, jsonify, redirect, render_template, request
from werkzeug.datastructures import FileStorage

from circuits.cautions import HEADING, caution_texts, marked, reading_text
from circuits.errors import EngineError, InputError
from circuits.hazards import Hazards, hazards
from circuits.kinds import kind
from circuits.leftovers import passing_folder
from circuits.load import load_stage, stage_names, unit_names
from circuits.quantities import LEVELS, QUANTITIES
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import GROUND, Stage
from diagnose.sheet.case import DONE, OBSERVATIONS
from diagnose.sheet.recordings import Recorded, recording_line, with_recording
from diagnose.sheet.sections import SECTIONS, Section
from diagnose.sheet.standards import standards
from diagnose.sheet.sweep_file import UNITS
from diagnose.show.embedded import STYLES, drawing, plain_drawing
from diagnose.show.stage.kept import at_hand
from diagnose.web.beside import RECORDINGS
from diagnose.web.checked import Checked
from diagnose.web.desk import desk
from diagnose.web.guard import MOST_RECORDING
from diagnose.web.opened import from_file
from diagnose.web.opening import lacking
from diagnose.web.places import place
from diagnose.web.sheet import Typed, from_page, to_page
from diagnose.web.shelf import FILE, Kept
from diagnose.web.stages import files_of, stage_file_name

sheets = Blueprint("sheets", __name__)
_MAINS = 50.0
"""Hz of the mains where the sheet cannot say."""


@sheets.get("/drawn.css")
def styles() -> Response:
    """The style of drawings and charts, which those carry in themselves elsewhere."""
    return Response(STYLES, mimetype="text/css")


@sheets.get("/stages/<name>")
def stage(name: str) -> str:
    """What a stage is, with its drawing."""
    if name not in (*stage_names(), *unit_names()):
        raise InputError(f"there is no stage {name!r}", expected="a stage that ships")
    drawn = load_stage(name)
    return render_template("stage.html", stage=drawn, drawing=drawing(drawn))


@sheets.get("/stages/<name>/healthy")
def healthy(name: str) -> str:
    """What the healthy unit of a stage reads, and what in it is not as it should be."""
    if name not in (*stage_names(), *unit_names()):
        raise InputError(f"there is no stage {name!r}", expected="a stage that ships")
    return render_template("healthy.html", made=desk().aside.run("healthy", name, ""))


@sheets.get("/sheet/<name>/healthy")
def healthy_of(name: str) -> str:
    """The same of the stage of a sheet, with the values that it states."""
    kept, found = loaded(name)
    if found.case is None:
        raise InputError("the sheet does not say yet which stage it is", expected="a stage")
    job = desk().aside.run("healthy", "", str(kept.path))
    beside = desk().aside.run("beside_manual", str(kept.path)) if found.case.expected else ()
    return render_template("healthy.html", name=name, title=kept.sheet.case, made=job,
                           beside=beside, expected=found.case.expected)


@sheets.post("/sheets")
def new() -> Response:
    """A blank sheet of a stage that ships."""
    name = request.form.get("stage", "")
    if name not in (*stage_names(), *unit_names()):
        raise InputError(f"there is no stage {name!r}", expected="a stage that ships")
    text = desk().short.run("blank", name, "")
    sheet = from_file(text, FILE)
    case = request.form.get("case", "").strip()[:200]
    # the head of a blank sheet tells how to fill in a file by hand
    kept = desk().shelf.add(replace(sheet, head="", case=case or sheet.case))
    return jsonify(sheet=kept.name)


@sheets.get("/sheet/<name>")
def sheet(name: str) -> str:
    """The sheet to type in."""
    kept = desk().shelf.load(name)
    return render_template("sheet.html", name=name, title=kept.sheet.case, tab="sheet")


@sheets.get("/sheet/<name>/data")
def data(name: str) -> Response:
    """The sheet as data, with what its fields may hold."""
    kept = desk().shelf.load(name)
    understood = desk().checked(kept)
    return jsonify(
        sheet=to_page(kept.sheet), revision=kept.revision,
        **_told(understood, kept.sheet), **_own(kept),
        choices=_choices(understood.case.stage if understood.case else None),
        lacks=lacking(kept),
        recordings=[[path.name, path.stat().st_size] for path in desk().shelf.files(name)
                    if path.suffix in RECORDINGS],
    )


@sheets.get("/sheet/<name>/revision")
def revision(name: str) -> Response:
    """Which revision is kept: asked for every few seconds, by a page that shows the sheet."""
    return jsonify(revision=desk().shelf.revision(name))


@sheets.put("/sheet/<name>/data")
def save(name: str) -> Response:
    """Keep what was typed, and say what is wrong with it."""
    sent = request.get_json()
    if not isinstance(sent, dict) or not isinstance(sent.get("revision"), int):
        raise InputError("this is not a sheet", expected="sheet and revision")
    kept = desk().shelf.save(name, from_page(sent.get("sheet")), sent["revision"])
    return jsonify(revision=kept.revision, **_told(desk().checked(kept), kept.sheet))


@sheets.post("/sheet/<name>/copy")
def copy(name: str) -> Response:
    """Keep a sheet of its own: of what was typed, where that is sent, else of what is kept."""
    if not request.get_data():
        return jsonify(sheet=desk().shelf.copy(name, desk().shelf.load(name).sheet).name)
    sent = request.get_json()
    typed = from_page(sent.get("sheet") if isinstance(sent, dict) else None)
    return jsonify(sheet=desk().shelf.copy(name, typed).name)


@sheets.post("/sheet/<name>/sweep")
def sweep(name: str) -> Response:
    """Keep a sweep beside the sheet; the page then names it in a reading."""
    file = _one_file()
    return jsonify(file=desk().shelf.keep_sweep(name, file.filename or "", file.read()))


@sheets.post("/sheet/<name>/recording")
def recording(name: str) -> Response:
    """Read a recording; what it gives is for the page to put on the sheet."""
    request.max_content_length = MOST_RECORDING
    kept = desk().shelf.load(name)
    case = desk().checked(kept).case
    file = _one_file()
    suffix = Path(file.filename or "").suffix.lower()
    if suffix not in RECORDINGS:
        raise InputError(f"{file.filename!r} is no recording", expected=" or ".join(RECORDINGS))
    with passing_folder("recording") as folder:
        path = folder / f"recording{suffix}"
        file.save(path)
        file.close()
        text, notes = desk().short.run(
            "recorded", str(path), request.form.get("signal", ""),
            request.form.get("full_scale", ""), request.form.get("driven", ""),
            case.stage.mains if case else _MAINS,
        )
        beside = desk().shelf.keep_recording(name, file.filename or "", path)
    _note_recording(name, beside)
    notes = (*notes, f"The recording is kept with the sheet as {beside}.")
    read = from_file("stage: none\n" + text, "recording")
    page = to_page(read)
    return jsonify(readings=page["readings"], channels=page["channels"], notes=notes)


def _note_recording(name: str, file: str) -> None:
    """Name a recording on its sheet, with how it was read, so that plots and report show it."""
    made = Recorded(file, signal=request.form.get("signal", ""),
                    driven=request.form.get("driven", ""))
    line = recording_line(made, " ".join(request.form.get("full_scale", "").split()))

    def noted(sheet: Typed) -> Typed:
        return replace(sheet, extra=with_recording(sheet.extra, line, file))

    desk().shelf.note(name, noted)


@sheets.post("/sheet/<name>/stage")
def take_stage(name: str) -> Response:
    """Take the stage of one's own as it is now; until then the sheet has it as it was."""
    own = desk().shelf.linked(name)
    kept = desk().shelf.take_stage(name, files_of(desk().stages.load(own)))
    return jsonify(revision=kept.revision)


def _own(kept: Kept) -> dict[str, Any]:
    """Which stage of one's own the sheet is of, and whether that was changed since."""
    own = desk().shelf.linked(kept.name)
    if not own:
        return {}
    try:
        now = files_of(desk().stages.load(own))
    except InputError:  # it is in the bin: the sheet has its own copy
        return {}
    beside = kept.folder / stage_file_name(own)
    same = all((kept.folder / file).is_file() and (kept.folder / file).read_bytes() == body
               for file, body in now.items())
    return {"own": own, "newer": not same} if beside.is_file() else {}


@sheets.get("/sheet/<name>/drawing")
def draw(name: str) -> str:
    """The drawing of the sheet's stage."""
    kept = desk().shelf.load(name)
    case = desk().checked(kept).case
    if case is None:
        return ""
    if at_hand(case.stage):
        return drawing(case.stage)
    try:
        return desk().drawn(f"sheet {name}", kept.path, "drawn_sheet")
    except EngineError:
        return plain_drawing(case.stage)


def _one_file() -> FileStorage:
    file = request.files.get("file")
    if file is None or not file.filename:
        raise InputError("no file came", expected="one file")
    return file


@sheets.get("/sheet/<name>/")
def sheet_slash(name: str) -> Any:
    """The same page with a needless stroke."""
    return redirect(f"/sheet/{name}")


def loaded(name: str) -> tuple[Kept, Checked]:
    """A sheet and what was understood of it."""
    kept = desk().shelf.load(name)
    return kept, desk().checked(kept)


def _told(found: Checked, typed: Typed) -> dict[str, Any]:
    return {
        "problems": [{"field": p.field, "text": p.text, "where": place(typed, p.field)}
                     for p in found.problems],
        "understood": dict(found.understood),
        "differing": dict(found.differing),
        "doubted": [{"field": field, "text": text, "where": place(typed, field)}
                    for field, text in found.doubted],
    }


def _minded(about: Hazards, name: str) -> dict[str, str]:
    """What stands beside a reading, at the sockets and with a probe inside; and all of it."""
    plain, inner = Reading(name), Reading(name, at="a node")
    return {
        "mark": marked(about, plain), "inner": marked(about, inner),
        "caution": reading_text(about, plain), "inner caution": reading_text(about, inner),
    }


def _plain(section: Section[Any]) -> dict[str, Any]:
    """What the page has to know of a section to show its rows and to begin one."""
    return {
        "name": section.name, "one": section.one, "title": section.title, "add": section.add,
        "columns": [asdict(column) for column in section.columns],
    }


def _chain(stage: Stage) -> dict[str, Any] | None:
    """What a unit is made of: its stages with their titles and outputs, and its supplies."""
    chain = stage.chain
    if chain is None:
        return None
    titles = [one.title or one.name for one in stage.members] or [""] * len(chain.members)
    return {
        "members": [[name, title, output] for (name, output), title in
                    zip(chain.members, titles, strict=True)],
        "supplies": chain.supplies,
    }


def _choices(stage: Stage | None) -> dict[str, Any]:
    """What the fields of a sheet may hold."""
    about = None if stage is None else hazards(stage)
    quantities = {
        q.name: {
            "unit": {"ohm": "Ω", "deg": "°"}.get(q.unit, q.unit), "required": q.required,
            "unit beside a level": q.with_level,
            "optional": q.optional, "how": q.how, "simulated": q.simulated,
            **({} if about is None else _minded(about, q.name)),
        }
        for q in QUANTITIES.values()
    }
    choices: dict[str, Any] = {
        "quantities": quantities, "done": DONE, "observations": OBSERVATIONS,
        "sections": [_plain(section) for section in SECTIONS.values()], "levels": tuple(LEVELS),
        "units": tuple(UNITS), "standards": {one.name: one.title for one in standards().values()},
    }
    if stage is None:
        return choices | {"stage": None}
    signal = [[key, render(value, LEVELS[key])] for key, value in stage.signal]
    probed = dict(stage.test_points)
    return choices | {
        "stage": {
            "name": stage.name, "title": stage.title, "about": stage.about,
            "source": stage.source, "cautions": caution_texts(stage), "signal": signal,
            "heading": HEADING,
            "instances": stage.chain.instances if stage.chain else (),
            "chain": _chain(stage),
        },
        "nodes": [[node, probed.get(node, "")] for node in
                  dict.fromkeys((*probed, *stage.nodes)) if node != GROUND],
        "rails": [rail.name for rail in stage.rails],
        "mains": render(stage.mains, "Hz"),
        "parts": [
            {"name": p.name, "kind": p.kind, "role": p.role,
             "value": render(p.value, kind(p.kind).unit) if p.value and kind(p.kind).unit else ""}
            for p in stage.parts
        ],
    }

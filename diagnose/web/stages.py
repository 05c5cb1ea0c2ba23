"""Pages and requests of stages of one's own: typing, drawing, what a healthy one reads, files."""

from __future__ import annotations

import io
import zipfile
from dataclasses import asdict, replace
from functools import cache
from typing import Any

from flask import Blueprint, Response, jsonify, render_template, request

from circuits.cautions import HEADING, caution_texts
from circuits.device import DEFAULT_MODEL, load_devices
from circuits.errors import EngineError, InputError
from circuits.kinds import kin, kinds
from circuits.load import load_stage, stage_names
from circuits.stage import Stage
from diagnose.show.embedded import drawing, plain_drawing
from diagnose.show.stage.blocks import has_blocks
from diagnose.show.stage.kept import at_hand, layout_of
from diagnose.show.stage.picture import render
from diagnose.web.arranging import anew, followed, movable, move, undo
from diagnose.web.desk import desk
from diagnose.web.opened import from_file
from diagnose.web.shelf import FILE
from diagnose.web.stage_check import CheckedStage, check_stage
from diagnose.web.stage_shelf import DRAWING, STAGE, KeptStage, label_of
from diagnose.web.stage_table import Table, checked_table, merged, table_of, unreadable
from diagnose.web.units import chain_of, is_unit, with_member

stages = Blueprint("stages", __name__)
_EXPORT = 20.0
"""Seconds that a netlist may take to be written."""


@stages.get("/stage/<name>")
def stage_page(name: str) -> str:
    """The page to type a stage on."""
    kept = desk().stages.load(name)
    return render_template("own_stage.html", own=name, title=label_of(name, kept.text).title)


@stages.get("/stage/<name>/data")
def stage_data(name: str) -> Response:
    """The stage as text and as table, with what its fields may hold."""
    kept = desk().stages.load(name)
    table = _table(kept.text)
    now: dict[str, Any] = {"base": kept.text, "table": table}
    typed = dict(kept.typed) if kept.typed else now
    if table is None or _unfinished(typed.get("table")):
        now = typed  # what no file can hold yet
    return jsonify(
        sheet=typed, now=now, text=kept.text, revision=kept.revision,
        said=desk().stages.said(name), choices=_choices(),
        others=_others(name) if is_unit(kept.text) else None,
        **_told(kept, now["table"]),
    )


def _others(name: str) -> list[list[str]]:
    """What a unit's chain may be made longer by: stages of one's own, and those that ship."""
    own = [[one.name, f"{one.title} (your own)"] for one in desk().stages.labels()
           if one.name != name and not is_unit(desk().stages.load(one.name).text)]
    return [*own, *([word, load_stage(word).title or word] for word in stage_names())]


@stages.post("/stage/<name>/chain")
def longer_chain(name: str) -> Response:
    """Put one more stage at the end of a unit's chain, with a copy of its file."""
    sent = request.get_json()
    if not isinstance(sent, dict) or not isinstance(sent.get("revision"), int):
        raise InputError("this is no stage to be added", expected="stage and revision")
    kept = desk().stages.load(name)
    text, files = with_member(kept, str(sent.get("stage", "")))
    desk().stages.put(name, files)
    kept = desk().stages.save(name, text, sent["revision"], {"base": text, "table": None})
    return jsonify(revision=kept.revision, text=text, table=None, **_told(kept, None))


@stages.put("/stage/<name>/data")
def save_stage(name: str) -> Response:
    """Keep what was typed, right or wrong, and say what is wrong with it."""
    sent = request.get_json()
    if not isinstance(sent, dict) or not isinstance(sent.get("revision"), int):
        raise InputError("this is not a stage", expected="sheet and revision")
    typed, text = _typed(sent.get("sheet"))
    kept = desk().stages.save(name, text, sent["revision"], typed)
    table = typed["table"] or _table(text)
    return jsonify(revision=kept.revision, text=text,
                   table=None if typed["table"] else table, **_told(kept, table))


def _typed(sent: object) -> tuple[dict[str, Any], str]:
    """What a page typed, and the text of the stage file that it makes."""
    base = sent.get("base") if isinstance(sent, dict) else None
    if not isinstance(sent, dict) or not isinstance(base, str):
        raise InputError("this is not a stage", expected="base and table")
    if sent.get("table") is None:
        return {"base": base, "table": None}, base
    table = checked_table(sent["table"])
    return {"base": base, "table": table}, merged(base, table)


def _table(text: str) -> Table | None:
    if is_unit(text):  # its parts stand in the stages of its chain
        return None
    try:
        return table_of(text)
    except InputError:
        return None


def _unfinished(table: Table | None) -> bool:
    return table is not None and (bool(unreadable(table)) or any(
        not row["name"] and any(text for word, text in row.items() if word != "was")
        for name in ("rails", "parts", "points") for row in table[name]
    ))


def _checked(kept: KeptStage, table: Table | None) -> CheckedStage:
    return check_stage(kept.text, kept.folder, table)


def _told(kept: KeptStage, table: Table | None) -> dict[str, Any]:
    found = _checked(kept, table)
    label = label_of(kept.name, kept.text)
    return {
        "problems": [asdict(problem) for problem in found.problems],
        "usable": found.stage is not None,
        "title": label.title,
        "unit": chain_of(kept.text, kept.folder),
        "heading": HEADING,
        "cautions": caution_texts(found.stage) if found.stage else [],
    }


@cache
def _choices() -> dict[str, Any]:
    """Kinds with their pins, units and devices."""
    devices: dict[str, list[str]] = {}
    for device in load_devices().values():
        devices.setdefault(device.kind, []).append(device.name)
    return {"kinds": {
        word: {
            "family": about.family, "pins": about.pins, "unit": about.unit,
            "optional": about.optional_pins, "models": devices.get(about.name, []),
            "usual": DEFAULT_MODEL.get(about.name, ""),
        }
        for word, about in {**kinds(), **kin()}.items()
    }}


@stages.get("/stage/<name>/drawing")
def stage_drawing(name: str) -> str:
    """The drawing of what of the stage can be read."""
    kept = desk().stages.load(name)
    found = _checked(kept, None)
    if found.drawn is None:
        return ""
    if found.stage is not None and has_blocks(found.stage):
        return _unit_drawing(name, kept, found.stage)
    layout = followed(kept, found.drawn, whole=found.stage is not None)
    if found.stage is None:  # what is half typed follows at once, as parts and neighbours
        return drawing(found.drawn, layout=layout) if layout else plain_drawing(found.drawn)
    if layout is None and not at_hand(found.stage):
        try:
            made = desk().drawn(name, kept.path)
        except EngineError:
            return plain_drawing(found.stage)
        # by now it is kept, or known to be none
        return made if layout_of(found.stage) is None else movable(made, name)
    layout = layout or layout_of(found.stage)
    return plain_drawing(found.stage) if layout is None else movable(
        drawing(found.stage, layout=layout), name)


def _unit_drawing(name: str, kept: KeptStage, unit: Stage) -> str:
    """A unit has the drawings of its stages, whose parts are moved where they are at home."""
    if at_hand(unit):
        return drawing(unit)
    try:
        return desk().drawn(name, kept.path)
    except EngineError:
        return plain_drawing(unit)


@stages.post("/stage/<name>/drawing/<change>")
def change_drawing(name: str, change: str) -> str:
    """Move a part of the drawing, take a move back, or arrange it anew; the drawing after it."""
    sent = request.get_json()
    if change not in ("move", "undo", "anew") or not isinstance(sent, dict):
        raise InputError("this is nothing to do with a drawing", expected="move, undo or anew")
    kept = desk().stages.load(name)
    if change == "move":
        stage = _checked(kept, None).stage
        if stage is None:
            raise InputError("a part can be moved once the mistakes of the stage are set right")
        move(kept, stage, sent)
    else:
        (undo if change == "undo" else anew)(kept, sent)
    return stage_drawing(name)


@stages.get("/stage/<name>/drawing.svg")
def stage_svg(name: str) -> Response:
    """The same as a file that needs nothing else."""
    kept = desk().stages.load(name)
    found = _checked(kept, None)
    if found.drawn is None:
        raise InputError("nothing of this stage can be drawn yet", expected="parts")
    layout = followed(kept, found.drawn, whole=found.stage is not None)
    svg = render(found.drawn, layout=layout)
    return attached(svg.encode(), "image/svg+xml", f"{name}.svg")


@stages.get("/stage/<name>/healthy")
def stage_healthy(name: str) -> str:
    """What a healthy one reads; only the tables where a page asks for them."""
    kept = _usable(name)
    made = desk().aside.run("healthy_own", str(kept.path))
    if request.headers.get("Sec-Fetch-Dest") != "document":
        return render_template("healthy_tables.html", made=made)
    return render_template("healthy.html", made=made, own=name)


def _usable(name: str) -> KeptStage:
    """A stage without mistakes."""
    kept = desk().stages.load(name)
    found = _checked(kept, _table(kept.text))
    if found.stage is None:
        first = found.problems[0]
        raise InputError(f"this stage has mistakes still: {first.text}"
                         + (f" ({first.place})" if first.place else ""))
    return kept


@stages.post("/stage/<name>/sheet")
def sheet_of(name: str) -> Response:
    """A blank sheet for the stage, with a copy of it beside."""
    kept = _usable(name)
    text = desk().short.run("blank", STAGE, str(kept.folder))
    file = stage_file_name(name)
    case = (request.form.get("case") or label_of(name, kept.text).title).strip()[:200]
    sheet = replace(from_file(text, FILE), head="", stage=file, case=case)
    made = desk().shelf.add(sheet, files_of(kept))
    desk().shelf.link(made.name, name)
    return jsonify(sheet=made.name)


def stage_file_name(name: str) -> str:
    """What the file of a stage is called beside a sheet."""
    return f"{name}.yaml"


def files_of(kept: KeptStage) -> dict[str, bytes]:
    """A stage and the files that it names, as they lie beside a sheet."""
    stage = _checked(kept, None).stage
    if stage is not None:
        followed(kept, stage)  # a drawing of one's own goes along as the stage needs it now
    beside = {kept.name + DRAWING if path == kept.drawing else path.name: path.read_bytes()
              for path in desk().stages.files(kept.name)}
    return {stage_file_name(kept.name): kept.text.encode(), **beside}


@stages.post("/stage/<name>/copy")
def copy_stage(name: str) -> Response:
    """Keep a copy: of what was typed, where that is sent, else of what is kept."""
    sent = request.get_json(silent=True)
    text = _typed(sent["sheet"])[1] if isinstance(sent, dict) and "sheet" in sent else None
    return jsonify(stage=desk().stages.copy(name, text).name)


@stages.post("/stage/<name>/title")
def title_stage(name: str) -> Response:
    """Call a stage otherwise."""
    sent = request.get_json()
    title = " ".join(str(sent.get("title", "")).split())[:200] if isinstance(sent, dict) else ""
    kept = desk().stages.load(name)
    table = _table(kept.text)
    if table is None or not title:
        raise InputError("this stage cannot be called otherwise here",
                         expected="a name, and a file that can be read")
    table = {**table, "head": {**table["head"], "title": title}}
    text = merged(kept.text, table)
    desk().stages.save(name, text, kept.revision, {"base": text, "table": _table(text)})
    return jsonify(title=title)


@stages.post("/stage/<name>/delete")
def delete_stage(name: str) -> Response:
    """Put a stage into the bin; sheets have copies of their own."""
    desk().stages.delete(name)
    return jsonify(deleted=name)


@stages.post("/stage/<name>/restore")
def restore_stage(name: str) -> Response:
    """Take a stage out of the bin."""
    desk().stages.restore(name)
    return jsonify(stage=name)


@stages.post("/stage/<name>/said")
def answered(name: str) -> Response:
    """Take a question of the import off the list, once somebody has answered it."""
    sent = request.get_json()
    part = sent.get("part") if isinstance(sent, dict) else None
    said = desk().stages.said(name) or {}
    said["asked"] = [one for one in said.get("asked", []) if one[0] != part]
    desk().stages.say(name, said)
    return jsonify(said=said)


@stages.get("/stage/<name>/stage.yaml")
def stage_file(name: str) -> Response:
    """The stage file, in a folder of its own where it names others."""
    kept = desk().stages.load(name)
    files = files_of(kept)
    if len(files) == 1:
        return attached(kept.text.encode(), "application/yaml", stage_file_name(name))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for file, body in files.items():
            archive.writestr(f"{name}/{file}", body)
    return attached(packed.getvalue(), "application/zip", f"{name}.zip")


@stages.get("/stage/<name>/stage.cir")
def stage_netlist(name: str) -> Response:
    """The stage as a netlist that carries the stage file in comments."""
    kept = _usable(name)
    text = desk().short.run("netlist_out", str(kept.path), deadline=_EXPORT)
    return attached(text.encode(), "text/plain", f"{name}.cir")


def attached(body: bytes, kind: str, name: str) -> Response:
    """A file to be saved."""
    answer = Response(body, mimetype=kind)
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer

"""What the page saves, it opens: a sheet from files, a file of a sheet with all that it names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from flask import Blueprint, Response, jsonify, request

from circuits import yamlfile
from circuits.errors import InputError
from circuits.leftovers import passing_folder
from circuits.load import stage_names, unit_names
from circuits.yamlfile import Items, Node, Text
from diagnose.sheet.csv_sheet import CSV, HEAD, LISTS, read_csv_sheet
from diagnose.web.beside import kept_name
from diagnose.web.desk import desk
from diagnose.web.guard import MOST_RECORDING
from diagnose.web.imports import ENDS, own_stage
from diagnose.web.opened import from_file, from_tree
from diagnose.web.packing import PACKED, packed, unpacked
from diagnose.web.sheet import Typed
from diagnose.web.shelf import Kept
from diagnose.web.stage_shelf import DRAWING
from diagnose.web.stages import attached, files_of, stage_file_name

opening = Blueprint("opening", __name__)
_YAML = (".yaml", ".yml")
_INSTEAD = "stage"
"""The field of a form with the stage that is taken in place of one that did not come along."""
_WITHOUT = "without"
"""The field that says that files which did not come along are not there to be had."""
_LARGE = "large"
"""Stands in the address where recordings come along; anything else is refused at once when it is
long."""


@opening.post("/sheets/open")
def opened() -> Response | tuple[Response, int]:
    """A sheet from a case file, with the files that it names; all of them may be in one.

    Without a case file it is a stage of one's own: from a stage file, or from a netlist. What the
    case names and did not come along is asked for.
    """
    files = _sent()
    cases = {name: body for name, body in files.items() if _is_case(name, body)}
    others = {name: body for name, body in files.items() if name not in cases}
    if not cases:
        tables = [name for name in others if _is_table(name, others[name])]
        if len(tables) == 1:
            sheet = _of_table(tables[0], others.pop(tables[0]))
            return _sheet(sheet, others)
        stage = own_stage(others, {word: request.form[word].strip()[:80] for word in ENDS
                                   if request.form.get(word, "").strip()})
        if stage is not None:
            return jsonify(stage=stage.name)
    if len(cases) != 1:
        raise InputError(f"{len(cases)} of these {len(files)} files are case files",
                         expected="one case file, stage file or netlist, and what it names")
    (name, body), = cases.items()
    return _sheet(from_file(_decoded(name, body), name), others)


def _sent() -> dict[str, bytes]:
    """The files of a request, taken apart where they are packed."""
    if _LARGE in request.args:
        request.max_content_length = MOST_RECORDING
    given = [file for file in request.files.getlist("files") if file.filename]
    found = unpacked({Path(file.filename or "").name: file.read() for file in given})
    for file in given:  # a long one lies on the disk
        file.close()
    return found


def _sheet(sheet: Typed, files: dict[str, bytes]) -> Response | tuple[Response, int]:
    """Keep a sheet, or ask for what is missing."""
    sheet, files = as_kept(sheet, files)
    own = ""
    stage = stage_missing(sheet, files)
    instead = request.form.get(_INSTEAD, "")
    if stage and instead in (*stage_names(), *unit_names()):
        sheet, stage = replace(sheet, stage=instead), ""
    elif stage and instead:
        files.update(files_of(desk().stages.load(instead)))
        sheet, stage, own = replace(sheet, stage=stage_file_name(instead)), "", instead
    left = [] if request.form.get(_WITHOUT) else files_missing(sheet, files)
    if stage or left:
        named = [f"the stage {stage!r}"] * bool(stage) + [repr(name) for name in left]
        return jsonify(error=f"This sheet names {', '.join(named)}, which did not come along.",
                       stage=stage, files=left, stages=_stages() if stage else []), 422
    kept = desk().shelf.add(sheet, files)
    if own:
        desk().shelf.link(kept.name, own)
    return jsonify(sheet=kept.name)


def as_kept(sheet: Typed, files: Mapping[str, bytes]) -> tuple[Typed, dict[str, bytes]]:
    """A sheet and its files, by the names under which the files are kept.

    Raises
    ------
    InputError
        For a file that is none of a sheet, and for two that would have one name.
    """
    names = {given: kept_name(given) for given in files}
    renamed: dict[str, bytes] = {}
    for given, name in names.items():
        if renamed.setdefault(name, files[given]) != files[given]:
            raise InputError(f"two of these files would be called {name!r}",
                             expected="files of different names")

    def said(word: str) -> str:
        last = re.split(r"[/\\]", word)[-1]
        return names.get(last, word)

    readings = tuple(replace(entry, photo=said(entry.photo), values=tuple(map(said, entry.values)))
                     if entry.source == "file" else replace(entry, photo=said(entry.photo))
                     for entry in sheet.readings)
    return replace(sheet, stage=said(sheet.stage), readings=readings), renamed


def _stages() -> list[list[str]]:
    """What may be taken in place of a stage that is missing: name and title."""
    own = [[one.name, f"{one.title} (your own)"] for one in desk().stages.labels()]
    return [*own, *([name, name] for name in (*stage_names(), *unit_names()))]


def stage_missing(sheet: Typed, files: Mapping[str, bytes]) -> str:
    """The stage that a sheet names and nobody has; of a unit, the first stage of its chain."""
    known = (*stage_names(), *unit_names())
    if not sheet.stage or sheet.stage in known:
        return ""
    if sheet.stage not in files:
        return sheet.stage
    try:
        named = _named(yamlfile.tree(_decoded(sheet.stage, files[sheet.stage]), sheet.stage))
    except InputError:  # it is told on the sheet, with the line
        return ""
    return next((word for word in named if word not in known and word not in files), "")


def _named(node: Node) -> list[str]:
    """The stages in the chain of a unit."""
    chain = node.get("chain") if isinstance(node, yamlfile.Mapping) else None
    rows = chain.items if isinstance(chain, Items) else ()
    found = (row.get("stage") for row in rows if isinstance(row, yamlfile.Mapping))
    return [one.value.strip() for one in found if isinstance(one, Text) and not one.empty]


def files_missing(sheet: Typed, files: Mapping[str, bytes]) -> list[str]:
    """The sweeps that a sheet names and that are not among its files."""
    named = [value for entry in sheet.readings if entry.source == "file" for value in entry.values]
    return [name for name in dict.fromkeys(named) if name and name not in files]


def lacking(kept: Kept) -> dict[str, object]:
    """What a sheet names and is not beside it, as the start page is told it; empty for none."""
    beside = {path.name: path.read_bytes() if path.suffix in _YAML else b""
              for path in desk().shelf.files(kept.name)}
    stage, files = stage_missing(kept.sheet, beside), files_missing(kept.sheet, beside)
    if not stage and not files:
        return {}
    return {"stage": stage, "files": files, "stages": _stages() if stage else []}


@opening.post("/sheet/<name>/beside")
def put_beside(name: str) -> Response:
    """Put files beside a sheet that it names, or take another stage in place of one it lacks."""
    shelf = desk().shelf
    kept = shelf.load(name)
    files = _sent()
    instead = request.form.get(_INSTEAD, "")
    if instead in (*stage_names(), *unit_names()):
        return jsonify(revision=shelf.change(name, replace(kept.sheet, stage=instead)).revision)
    if instead:
        shelf.take_stage(name, files_of(desk().stages.load(instead)))
        shelf.link(name, instead)
        sheet = replace(kept.sheet, stage=stage_file_name(instead))
        return jsonify(revision=shelf.change(name, sheet).revision)
    stage = str(lacking(kept).get("stage", ""))
    if stage and len(files) == 1 and _is_stage(*next(iter(files.items()))):
        files = {stage: next(iter(files.values()))}  # whatever it is called
    return jsonify(revision=shelf.put(name, files).revision)


def _is_stage(name: str, body: bytes) -> bool:
    return name.endswith(_YAML) and not name.endswith(DRAWING) and not _is_case(name, body)


@opening.delete("/sheet/<name>/beside/<file>")
def remove(name: str, file: str) -> Response:
    """Take a recording away, until it is had back."""
    desk().shelf.put_away(name, file)
    return jsonify(removed=file)


@opening.post("/sheet/<name>/beside/<file>/restore")
def bring_back(name: str, file: str) -> Response:
    """Have a recording back that was taken away."""
    desk().shelf.bring_back(name, file)
    return jsonify(file=file)


def _is_table(name: str, body: bytes) -> bool:
    """Whether a table is a whole sheet: its first cell is a word of those."""
    first = re.split(rb"[,;\t]", body.lstrip(b"\xef\xbb\xbf \r\n"), maxsplit=1)[0]
    return name.lower().endswith(CSV) and first.decode("utf-8", "replace").strip('" ') in (
        *HEAD, *LISTS, "quantity"
    )


def _of_table(name: str, body: bytes) -> Typed:
    """A sheet from one that a spreadsheet wrote."""
    with passing_folder("sheet") as folder:
        path = folder / f"table{Path(name).suffix.lower()}"
        path.write_bytes(body)
        return from_tree(read_csv_sheet(path))


def _is_case(name: str, body: bytes) -> bool:
    """Whether a file is a case; a stage of the user's own has parts, a unit a chain."""
    if not name.endswith(_YAML) or name.endswith(DRAWING):
        return False
    lines = body.decode("utf-8", "replace").splitlines()
    keys = {line.partition(":")[0].strip() for line in lines if line[:1] not in (" ", "#", "-")}
    return "parts" not in keys and "chain" not in keys


def _decoded(name: str, body: bytes) -> str:
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{name} is not plain text", expected="UTF-8") from None


@opening.get("/sheet/<name>/case.yaml")
def case_file(name: str) -> Response:
    """The case file itself, in a folder of its own where it names others."""
    kept: Kept = desk().shelf.load(name)
    text = kept.path.read_bytes()
    beside = desk().shelf.files(name)
    if not beside:
        return attached(text, "application/yaml", f"{name}.yaml")
    return attached(packed(name, text, beside), "application/zip", name + PACKED)

"""New stages of one's own: from one that ships, a stage file, a netlist, or nothing yet."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, jsonify, request

from circuits.errors import AmplifierError, InputError
from circuits.leftovers import passing_folder
from circuits.load import stage_file, stage_names, unit_names
from circuits.textfile import MOST_BYTES
from circuits.unitfile import KEY
from diagnose.web.desk import desk
from diagnose.web.stage_shelf import DRAWING, KeptStage, label_of
from diagnose.web.units import BLANK_UNIT, keep_unit
from diagnose.web.worker import Stopped

imports = Blueprint("imports", __name__)
NETLISTS = (".cir", ".net", ".sp", ".spice", ".ckt")
"""How names of netlists end that people have."""
ENDS = ("input", "output")
"""What of a netlist may have to be said before anything can be guessed."""
_INCLUDED = (".lib", ".mod", ".inc", ".sub", ".txt", *NETLISTS)
_PATIENCE = 8.0
"""Seconds that a netlist may take to be read; with the start of a process it is ten."""
BLANK = """\
stage: my-stage
title: A stage of my own
rails:
  vcc: {volts: 24 V}
ports: {input: in, output: out}
source impedance: 1 kohm
load: 47 kohm
parts:
"""


@imports.post("/stages/new")
def new_stage() -> Response:
    """A stage or a unit to change: one that ships, or a blank one."""
    name, known = request.form.get("stage", ""), (*stage_names(), *unit_names())
    if not name:
        unit = bool(request.form.get("unit"))
        made = desk().stages.add(*((BLANK_UNIT, "my-unit") if unit else (BLANK, "my-stage")))
        return jsonify(stage=made.name)
    if name not in known:
        raise InputError(f"there is no stage {name!r}", expected="a stage that ships",
                         choices=known, given=name)
    # its name stays, and with it the drawing that ships, as long as the circuit is that
    return jsonify(stage=desk().stages.add(stage_file(name), name).name)


def own_stage(files: Mapping[str, bytes], ends: Mapping[str, str]) -> KeptStage | None:
    """Keep the stage that files hold: one stage file or one netlist, and what it names.

    A unit file is kept with the stages of its chain.

    Parameters
    ----------
    ends : mapping
        ``input`` and ``output`` nodes of a netlist, where somebody has said them.

    Returns
    -------
    KeptStage or None
        None where there is none of them, or more than one.

    Raises
    ------
    InputError
        For one that cannot be kept.
    """
    for fits in (_is_unit, _is_stage, _is_netlist):
        found = [name for name, body in files.items() if fits(name, body)]
        if len(found) == 1:
            name, body = found[0], files[found[0]]
            others = {other: content for other, content in files.items() if other != name}
            if fits is _is_unit:
                return keep_unit(name, body, others)
            if fits is _is_stage:
                return keep_stage(name, body, others)
            return keep_netlist(name, body, others, ends)
    return None


def _is_stage(name: str, body: bytes) -> bool:
    """Whether a file is a stage: it has parts."""
    return "parts" in _keys(name, body)


def _is_unit(name: str, body: bytes) -> bool:
    """Whether a file is a unit of several stages: it names itself so."""
    return KEY in _keys(name, body)


def _keys(name: str, body: bytes) -> set[str]:
    """The keys of a YAML file that is no drawing, told without reading it."""
    if name.endswith(DRAWING) or not name.lower().endswith((".yaml", ".yml")):
        return set()
    rows = body.decode("utf-8-sig", "replace").splitlines()
    return {row.partition(":")[0].strip() for row in rows if row[:1] not in " #-"}


def _is_netlist(name: str, body: bytes) -> bool:
    """Whether a file is a netlist, by its name."""
    return name.lower().endswith(NETLISTS)


def keep_stage(name: str, body: bytes, others: Mapping[str, bytes]) -> KeptStage:
    """Keep a stage file that somebody has, with the files of devices that it names.

    Raises
    ------
    InputError
        For what is no text.
    """
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{name} is not plain text", expected="UTF-8") from None
    return desk().stages.add(text, label_of(Path(name).stem, text).stage or Path(name).stem, others)


def keep_netlist(
    name: str, body: bytes, others: Mapping[str, bytes], ends: Mapping[str, str]
) -> KeptStage:
    """Make a stage of a netlist and keep it, with what was guessed and what has to be asked.

    Nothing of the netlist is run; it is read in a process that is ended when it takes too long.

    Raises
    ------
    InputError
        As the reader of netlists says it, with file, line and caret; for one that is too long.
    EngineError
        For one that takes too long to be read.
    """
    if len(body) > MOST_BYTES:
        raise InputError(f"{name} has {len(body)} bytes; a netlist of one amplifier is shorter",
                         expected=f"at most {MOST_BYTES} bytes")
    with passing_folder("netlist") as folder:
        for given, content in {**others, name: body}.items():
            (folder / _file(given)).write_bytes(content)
        text, said = _read(folder / _file(name), ends)
    return desk().stages.add(text, Path(name).stem, said={**said, "file": Path(name).name})


def _read(path: Path, ends: Mapping[str, str]) -> tuple[str, dict[str, Any]]:
    try:
        text, said = desk().short.run("netlist_in", str(path), dict(ends), deadline=_PATIENCE)
    except Stopped:
        raise
    except AmplifierError as error:  # its folder is ours and says nothing to anybody
        told = str(error).replace(f"{path.parent}/", "")
        for word in ENDS:
            told = told.replace(f"--{word} NODE", f"its {word} node below")
        raise AmplifierError(told) from None
    return text, said


def _file(given: str) -> str:
    last = Path(re.split(r"[/\\]", given)[-1])
    stem = re.sub(r"[^A-Za-z0-9_.-]+", "-", last.stem).strip("-.")[:60] or "netlist"
    if last.suffix.lower() not in _INCLUDED:
        raise InputError(f"{given!r} is no netlist, nor what one includes",
                         expected="a name that ends in " + ", ".join(_INCLUDED))
    return stem + last.suffix

"""``diagnose stages --from`` and ``--to``: netlists in and out."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.errors import InputError
from diagnose.cli.commands_sheet import exists, write_new
from diagnose.cli.printed import document

if TYPE_CHECKING:
    from circuits.reading import Reading


def netlists(values: Namespace, width: int, colour: bool) -> tuple[str, str]:
    """Read a netlist or write one.

    Parameters
    ----------
    values : Namespace
        With ``stage``, ``source``, ``file``, ``input``, ``output``, ``to``, ``fault``, ``size``.

    Returns
    -------
    text, told : str
        For standard output, and for the person beside it where the output is the file itself.
    """
    if values.healthy:
        raise InputError("netlists go with no --healthy", expected="one of them")
    if values.json and values.source is None:
        raise InputError("there is no document of a netlist that is written",
                         expected="--json with --from or --healthy")
    if values.source is not None and values.to is not None:
        raise InputError("a netlist is read or written", expected="--from or --to")
    if values.source is not None:
        return _read(values, width, colour)
    if values.to is None:
        raise InputError("this needs a netlist", expected="diagnose stages --from FILE.cir -o "
                         "my-stage.yaml, or diagnose stages STAGE --to FILE.cir")
    return _write(values), ""


def _read(values: Namespace, width: int, colour: bool) -> tuple[str, str]:
    from diagnose.door.netlists import from_netlist
    from diagnose.show.text_netlist import netlist_text

    if values.stage is not None or values.fault or values.size:
        raise InputError("--from makes a stage of a netlist alone",
                         expected="diagnose stages --from FILE.cir -o my-stage.yaml")
    path: Path | None = values.file
    if path is not None and path.exists():
        raise exists(path)
    given = {key: getattr(values, key) for key in ("input", "output") if getattr(values, key)}
    made = from_netlist(values.source, given)
    told = netlist_text(made, values.source, width, colour)
    if values.json:
        from diagnose.schema.netlist_json import netlist_json

        if path is not None:
            write_new(path, made.text)
        return document(netlist_json(made, path)), ""
    if path is None:
        return made.text, told.rstrip("\n")
    write_new(path, made.text)
    return f"{told}\n{path} written; set right what was guessed, then: diagnose stages {path}\n", ""


def _write(values: Namespace) -> str:
    from diagnose.door.netlists import to_netlist

    if values.stage is None or values.file or values.input or values.output:
        raise InputError("--to writes a stage", expected="diagnose stages STAGE --to FILE.cir")
    path: Path = values.to
    if path.exists():
        raise exists(path)
    stage = values.stage
    text = to_netlist(stage if "/" not in stage else Path(stage), values.fault, values.size,
                      _asked(values.stage))
    write_new(path, text)
    return f"{path} written; to run it: ngspice -b {path}\n"


def _asked(word: str) -> list[Reading]:
    """The readings of a blank sheet that cost little to say."""
    from circuits.load import load_stage
    from diagnose.sheet.proposal import propose
    from faultlib.simulate import Laboratory
    from faultlib.store import Memory

    with Laboratory(Memory(), workers=0) as bench:
        return [reading for reading, _ in propose(load_stage(word), bench)]

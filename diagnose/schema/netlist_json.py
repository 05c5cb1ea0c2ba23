"""What became of a netlist, as the document of ``diagnose stages --from``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from circuits.errors import Place
from circuits.spice.importing import Imported
from diagnose.schema.documents import FORMAT


def netlist_json(made: Imported, file: Path | None = None) -> dict[str, Any]:
    """The document; values in SI units.

    Parameters
    ----------
    file : Path, optional
        Where the stage file was written.
    """
    stage = made.stage
    return {
        "format": FORMAT,
        "stage": stage.name,
        "text": made.text,
        "file": None if file is None else str(file),
        "input": stage.input,
        "output": stage.output,
        "parts": [
            {"part": part.name, "kind": part.kind, "role": part.role, "nodes": list(part.nodes),
             "value": part.value}
            for part in stage.parts
        ],
        "guesses": [
            {"of": one.of, "word": one.word, "guess": one.value, "why": one.why,
             "question": one.question}
            for one in made.guesses
        ],
        "asked": [
            {"part": one.part, "written": one.written, "read": one.read, "meant": one.meant,
             "why": one.why, "line": _line(one.place)}
            for one in made.asked
        ],
        "left out": [
            {"what": one.what, "why": one.why, "line": _line(one.place)} for one in made.left
        ],
        "renamed": [{"node": node, "is": word} for node, word in made.renamed],
    }


def _line(place: Place) -> int | None:
    return place.line or None

"""Netlists in and out, as tasks of the process that has the simulator: both ask it for a rest."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from circuits.load import load_stage, stage_file, stage_of_text
from circuits.spice.exporting import netlist
from circuits.spice.importing import imported
from circuits.spice.reading_in import text_of
from faultlib.on_rails import on_rails, volts_at_rest
from faultlib.signature import Stepwise
from faultlib.simulate import Bench


def netlist_in(
    bench: Bench, step: Stepwise, path: str, given: Mapping[str, str]
) -> tuple[str, dict[str, Any]]:
    """A netlist as the text of a stage file, and what is to be said and asked of it.

    Parameters
    ----------
    given : mapping
        What somebody has said: ``input`` and ``output`` nodes.

    Returns
    -------
    text : str
    said : dict
        Lists of ``guesses`` (of, word, guess, why, question), ``asked`` (part, written, read,
        meant, why, line), ``left`` (what, why, line) and ``renamed`` (there, here).

    Raises
    ------
    InputError
        With the place in the netlist.
    """
    source = Path(path)
    made = imported(text_of(source), source.name, source.parent, volts_at_rest, given,
                    (stage_of_text, lambda stage: on_rails(stage, stage)))
    # what comes out is held against the rules of all stage files, whatever went in
    stage_of_text(made.text, f"stage of {source.name}", source.parent)
    return made.text, {
        "guesses": [[g.of, g.word, g.value, g.why, g.question] for g in made.guesses],
        "asked": [[a.part, a.written, a.read, a.meant, a.why, a.place.line] for a in made.asked],
        "left": [[one.what, one.why, one.place.line] for one in made.left],
        "renamed": [list(pair) for pair in made.renamed],
    }


def netlist_out(bench: Bench, step: Stepwise, path: str) -> str:
    """A stage file as a netlist that carries it in comments."""
    stage = load_stage(path)
    drive = dict(stage.signal).get("input level", 0.0)
    return netlist(on_rails(stage, stage), stage_file(Path(path)), (), drive,
                   stage.title or stage.name)

"""Which drawing a stage has: a person's own, the one that ships, or one made by itself and kept.

Making one takes seconds, so it is kept beside what was simulated, by the content of the stage. What
is kept is a drawing file like any other, held against the stage whenever it is read; where
none could be made, an empty one says so.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from circuits.drawing import Layout, load_layout, own_drawing
from circuits.drawing_nets import mismatches
from circuits.drawing_text import layout_text
from circuits.errors import InputError
from circuits.leftovers import PART
from circuits.stage import Stage
from diagnose.show.stage.auto import drawn_by_itself
from diagnose.show.stage.canvas import value_text
from faultlib.store import default_folder, digest

_FORMAT = "drawing/3"
"""Raised when drawings come out otherwise, so that those kept before are made anew."""


def layout_of(stage: Stage) -> Layout | None:
    """The drawing of a stage: one of a person's own, the one that ships, or one made by itself.

    Only a drawing of this very circuit is taken: somebody's own stage may have the name of one
    that ships and be wired otherwise.

    Returns
    -------
    Layout or None
        None where no way to draw it was found.
    """
    path = own_drawing(stage)
    if path is not None and (own := _agreeing(stage, path)) is not None:
        return own
    shipped = _agreeing(stage, None)
    return made_by_itself(stage) if shipped is None else shipped


def at_hand(stage: Stage) -> bool:
    """Whether a stage can be drawn at once: none that has to be made, or it was made before."""
    path = own_drawing(stage)
    if path is not None and _agreeing(stage, path) is not None:
        return True
    return _agreeing(stage, None) is not None or _file(stage).exists()


def remarks(stage: Stage) -> tuple[str, ...]:
    """Why the drawing beside a stage's file is not used; empty where it is, or there is none."""
    path = own_drawing(stage)
    if path is None:
        return ()
    try:
        layout = load_layout(stage, path)
    except InputError as error:
        return (f"{path} is not used: {error}",)
    wrong = () if layout is None else mismatches(layout, stage)
    return tuple(f"{path} is not used: {what}" for what in wrong)


@lru_cache(maxsize=16)
def made_by_itself(stage: Stage) -> Layout | None:
    """The drawing that a stage makes of itself, from what is kept where it is."""
    path = _file(stage)
    with suppress(OSError):
        if path.stat().st_size == 0:
            return None
        kept = _agreeing(stage, path)
        if kept is not None:
            return kept
    made = drawn_by_itself(stage)
    _keep(path, "" if made is None else layout_text(made))
    return made


def _file(stage: Stage) -> Path:
    return default_folder() / "drawings" / f"{digest(_content(stage))}.yaml"


def _content(stage: Stage) -> str:
    """What a drawing depends on: circuit, names, and the words that stand beside the parts."""
    parts = [(p.name, p.kind, p.nodes, value_text(p)) for p in stage.parts]
    rails = [(rail.name, rail.volts) for rail in stage.rails]
    ports = (stage.input, stage.output, stage.input_return)
    return repr((_FORMAT, stage.name, parts, rails, ports, [n for n, _ in stage.test_points]))


def _agreeing(stage: Stage, path: Path | None) -> Layout | None:
    try:
        layout = load_layout(stage, path)
    except InputError:  # the parts are of other kinds than it places, or it is no drawing
        return None
    return None if layout is None or mismatches(layout, stage) else layout


def _keep(path: Path, text: str) -> None:
    """Write aside and rename, so that nobody reads half of it; no room costs only time."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=PART)
    except OSError:
        return
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        Path(name).replace(path)
    except OSError:
        Path(name).unlink(missing_ok=True)

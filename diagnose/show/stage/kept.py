"""Which drawing a stage has: a person's own, the one that ships, or one made by itself and kept.

Making one takes seconds, so it is kept beside what was simulated, by the content of the stage, and
once more by its circuit alone. What is kept is a drawing file like any other, held against the
stage whenever it is read; where none could be made, an empty one says so.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from circuits.drawing import Layout, load_layout, own_drawing, parts_of
from circuits.drawing_nets import mismatches
from circuits.drawing_text import layout_text
from circuits.errors import InputError
from circuits.leftovers import PART
from circuits.stage import Stage
from diagnose.show.stage.auto import drawn_by_itself
from diagnose.show.stage.auto_words import with_room
from diagnose.show.stage.blocks import blocks, has_blocks
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
        None where no way to draw it was found, and of a unit, which has one for each of its stages.
    """
    if has_blocks(stage):
        return None
    path = own_drawing(stage)
    if path is not None and (own := _agreeing(stage, path)) is not None:
        return own
    shipped = _agreeing(stage, None)
    return made_by_itself(stage) if shipped is None else shipped


def at_hand(stage: Stage) -> bool:
    """Whether a stage can be drawn at once: none that has to be made, or it was made before."""
    if has_blocks(stage):
        return all(at_hand(block.stage) for block in blocks(stage))
    path = own_drawing(stage)
    if path is not None and _agreeing(stage, path) is not None:
        return True
    return _agreeing(stage, None) is not None or _known(stage)[0]


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
    """The drawing that a stage makes of itself, from what is kept where it is.

    One that was made of the same circuit with other values or names is taken where it has room
    for these, so that somebody who types a value sees the parts stay where they are.
    """
    known, layout = _known(stage)
    if known:
        return layout
    made = drawn_by_itself(stage)
    text = "" if made is None else layout_text(made)
    for path in (_file(stage), _file(stage, words=False)):
        _keep(path, text)
    return made


def _known(stage: Stage) -> tuple[bool, Layout | None]:
    """Whether anything is kept of what a stage makes of itself, and what."""
    exact, alike = _file(stage), _file(stage, words=False)
    for path in (exact, alike):
        with suppress(OSError):
            if path.stat().st_size == 0:
                return True, None
    kept = _agreeing(stage, exact) if exact.exists() else None
    if kept is None and alike.exists():
        other = _of_another(stage, alike)
        kept = None if other is None else with_room(stage, other)
    return kept is not None, kept


def _of_another(stage: Stage, path: Path) -> Layout | None:
    """The drawing of a stage that has the same parts in the same order under other names."""
    try:
        names = parts_of(path)
    except InputError:
        return None
    if len(names) != len(stage.parts):
        return None
    called = {part.name: name for part, name in zip(stage.parts, names, strict=True)}
    other = replace(stage, parts=tuple(replace(p, name=called[p.name]) for p in stage.parts))
    layout = _agreeing(other, path)
    if layout is None:
        return None
    places = dict(layout.parts)
    return replace(layout, stage=stage.name,
                   parts=tuple((p.name, places[called[p.name]]) for p in stage.parts))


def _file(stage: Stage, words: bool = True) -> Path:
    return default_folder() / "drawings" / f"{digest(_content(stage, words))}.yaml"


def _content(stage: Stage, words: bool) -> str:
    """What a drawing depends on: circuit, names, and the words that stand beside the parts.

    Parameters
    ----------
    words : bool
        False leaves out what may be otherwise while all parts stay where they are: names of
        parts, values, and how many volts a rail has.
    """
    parts = [(p.kind, p.nodes, *((p.name, value_text(p)) if words else (bool(value_text(p)),)))
             for p in stage.parts]
    rails = [(rail.name, rail.volts if words else rail.volts > 0.0) for rail in stage.rails]
    ports = (stage.input, stage.output, stage.input_return)
    name = stage.name if words else ""
    return repr((_FORMAT, name, parts, rails, ports, [n for n, _ in stage.test_points]))


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

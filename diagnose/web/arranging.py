"""The drawing of a stage of one's own, arranged on the page: parts moved, moves undone.

It is a drawing file beside the stage, as a person may write one. It follows the stage: where the
stage has changed so that it is right no more, what is wrong is drawn anew and the rest stays.
What is known of each part that ever stood on it lets a part that is put back, or is called
otherwise now, stand where it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from typing import Any

from circuits.drawing import Layout, Placement, load_layout, load_what_fits
from circuits.drawing_nets import mismatches
from circuits.drawing_text import layout_text
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.stage import Part, Stage
from diagnose.show.stage.arranged import arranged
from diagnose.show.stage.kept import layout_of
from diagnose.show.stage.turning import moved
from diagnose.web.desk import desk
from diagnose.web.shelf import Outdated
from diagnose.web.stage_shelf import Arrangement, KeptStage

_MOST_UNDONE = 40
"""Moves that can be undone."""
_FARTHEST = 200
"""Grid steps that a part is moved by at most."""
_HEAD = ("Arranged on the page of the stage.",)


def followed(kept: KeptStage, stage: Stage, whole: bool = True) -> Layout | None:
    """The drawing of one's own, as the stage now needs it.

    Parameters
    ----------
    whole : bool
        Whether this is the stage as it is, and not only what of it can be read: then the drawing
        is kept as it has become.

    Returns
    -------
    Layout or None
        None where there is no such drawing, or none of its parts is left.
    """
    now = desk().stages.arrangement(kept.name)
    if not now.text:
        return None
    with suppress(InputError):  # parts are on it that the stage has no more
        right = load_layout(stage, kept.drawing)
        if right is not None and not mismatches(right, stage):
            return right
    try:
        layout = load_what_fits(stage, kept.drawing)
    except InputError:  # it is no drawing; `remarks` of `diagnose.show.stage.kept` say why
        return None
    if not layout.parts:
        return None
    try:
        made = arranged(stage, layout, wished=_wished(stage, layout, now.parts))
    except InputError:
        return None
    if whole:
        with suppress(Outdated):  # another tab asked for the same and was first
            _keep(kept, stage, made, now, now.before)
    return made


def move(kept: KeptStage, stage: Stage, sent: Mapping[str, Any]) -> None:
    """Move a part of the drawing.

    Parameters
    ----------
    sent : mapping
        ``part``, ``by`` (grid steps to the right and downwards), ``turns`` (quarters clockwise),
        ``mirrored``, and the ``mark`` of the drawing that it was moved on.

    Raises
    ------
    InputError
        When there is no room for it, or no way for its wires.
    Outdated
        When the drawing has become another.
    """
    _current(kept, sent)
    layout = followed(kept, stage) or layout_of(stage)
    now = desk().stages.arrangement(kept.name)
    if layout is None:
        raise InputError("this stage has no drawing whose parts could be moved")
    places = dict(layout.parts)
    name = sent.get("part")
    if not isinstance(name, str) or name not in places:
        raise InputError(f"the drawing has no part {name!r} that could be moved")
    place = moved(stage.part(name), places[name], _steps(sent.get("by")),
                  _whole(sent.get("turns")), sent.get("mirrored") is True)
    if place == places[name]:
        return
    made = arranged(stage, layout, {name: place})
    if dict(made.parts)[name] == places[name]:
        raise InputError(f"{name} stays as it is: its words have no room on the other side")
    _keep(kept, stage, made, now, (*now.before, now.text)[-_MOST_UNDONE:])


def undo(kept: KeptStage, sent: Mapping[str, Any]) -> None:
    """Take the last move back.

    Raises
    ------
    InputError
        When there is none.
    Outdated
        When the drawing has become another.
    """
    now = _current(kept, sent)
    if not now.before:
        raise InputError("there is no move to undo")
    *before, text = now.before
    desk().stages.arrange(kept.name, now.mark, replace(now, text=text, before=tuple(before)))


def anew(kept: KeptStage, sent: Mapping[str, Any]) -> None:
    """Put the drawing that the stage has without a person's help in the place of one's own.

    Raises
    ------
    Outdated
        When the drawing has become another.
    """
    now = _current(kept, sent)
    before = (*now.before, now.text)[-_MOST_UNDONE:]
    desk().stages.arrange(kept.name, now.mark, Arrangement("", before, now.parts))


def movable(svg: str, name: str) -> str:
    """A drawing whose parts the page lets be moved, with what it has to send along."""
    now = desk().stages.arrangement(name)
    told = f'data-mark="{now.mark}"'
    if now.before:
        told += ' data-undo=""'
    if now.text:
        told += ' data-own=""'
    return svg.replace("<svg ", f"<svg {told} ", 1)


def _current(kept: KeptStage, sent: Mapping[str, Any]) -> Arrangement:
    now = desk().stages.arrangement(kept.name)
    if sent.get("mark") != now.mark:
        raise Outdated(0, "drawing")
    return now


def _keep(kept: KeptStage, stage: Stage, made: Layout, now: Arrangement,
          before: tuple[str, ...]) -> None:
    places = dict(made.parts)
    known = {p.name: {"kind": p.kind, "nodes": list(p.nodes), "place": asdict(places[p.name])}
             for p in stage.parts}
    desk().stages.arrange(kept.name, now.mark, Arrangement(
        layout_text(made, _HEAD), before, {**now.parts, **known}))


def _wished(
    stage: Stage, layout: Layout, known: Mapping[str, Mapping[str, Any]]
) -> dict[str, Placement]:
    """Where parts stood that are not on the drawing: under their name, or one they had before."""
    places, wished = dict(layout.parts), {}
    names = {part.name for part in stage.parts}
    gone = [name for name in known if name not in names]
    for part in stage.parts:
        if part.name in places:
            continue
        same = [known[part.name]] if part.name in known else [
            known[name] for name in gone
            if known[name]["kind"] == part.kind and known[name]["nodes"] == list(part.nodes)]
        if len(same) == 1 and _alike(same[0], part):
            told = same[0]["place"]
            wished[part.name] = Placement(**{**told, "at": tuple(told["at"])})
    return wished


def _alike(known: Mapping[str, Any], part: Part) -> bool:
    """Whether what stood there is placed as the part is."""
    return (kind(known["kind"]).family == kind(part.kind).family
            and len(known["nodes"]) == len(part.nodes))


def _steps(given: object) -> tuple[int, int]:
    if given is None:
        return 0, 0
    if not isinstance(given, list) or len(given) != 2:
        raise InputError("this is no way to move a part", expected="[right, down]")
    return _whole(given[0]), _whole(given[1])


def _whole(given: object) -> int:
    if given is None:
        return 0
    if isinstance(given, bool) or not isinstance(given, int) or abs(given) > _FARTHEST:
        raise InputError(f"{given!r} is no number of steps", expected="a whole number")
    return given

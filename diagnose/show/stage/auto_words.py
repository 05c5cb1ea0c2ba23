"""Whether a drawing that was made for other values has room for those that a stage has now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from circuits.drawing import Layout, Placement, Point
from circuits.drawing_nets import pins, placed, stretches
from circuits.stage import Part, Stage
from diagnose.show.stage.auto_shape import flag_boxes, ground_box, leads, over, words_of
from diagnose.show.stage.auto_sheet import usual
from diagnose.show.stage.symbols import Box, body


def with_room(stage: Stage, layout: Layout) -> Layout | None:
    """The drawing with the words that the stage has now, on another side where they need one.

    Parameters
    ----------
    layout : Layout
        One that connects what the stage connects.

    Returns
    -------
    Layout or None
        None where some words find no room.
    """
    both = list(placed(layout, stage))
    solid = [_bare(part, place) for part, place in both]
    words = [words_of(part, place) for part, place in both]
    marks = [ground_box(at) for at in layout.grounds]
    for what, flags in (("rail", layout.rails), ("port", layout.ports),
                        ("probe", layout.test_points)):
        marks += [box for flag in flags for box in flag_boxes(stage, flag, what)]
    marks += [_line(a, b) for a, b in stretches(layout)]
    parts = []
    for k, (part, place) in enumerate(both):
        taken = [*marks, *(box for j, own in enumerate(solid) if j != k for box in own),
                 *(box for j, own in enumerate(words) if j != k for box in own)]
        side = _free_side(part, place, words[k], taken)
        if side is None:
            return None
        words[k] = words_of(part, side)
        parts.append((part.name, side))
    return replace(layout, parts=tuple(parts))


def _free_side(
    part: Part, place: Placement, words: Sequence[Box], taken: Sequence[Box]
) -> Placement | None:
    if not _meets(words, taken):
        return place
    sides = ["", "right", "left", "up", "down", *(["split"] if len(part.nodes) == 2 else [])]
    for side in sides:
        other = usual(replace(place, label=side), len(part.nodes))
        if not _meets(words_of(part, other), taken):
            return other
    return None


def _meets(words: Sequence[Box], taken: Sequence[Box]) -> bool:
    return any(over(word, box) for word in words for box in taken)


def _bare(part: Part, place: Placement) -> list[Box]:
    box = body(part, place)
    return [box, *leads(pins(part, place), box)]


def _line(a: Point, b: Point) -> Box:
    """A wire without width: words may stand close to it."""
    return min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])

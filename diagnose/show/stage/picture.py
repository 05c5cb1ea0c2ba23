"""A stage as one SVG: its schematic, or where there is none its parts and neighbours.

A unit of several stages is drawn from the drawings of its stages (`unit_picture`).

Every part is a group ``<g id="part-C3" class="part" data-part="C3">`` with its symbol and its
label; every test point is a group of the class ``test-point`` with ``data-node``. Lines and text
are in ``currentColor``, so that the page decides what light and dark mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from circuits.drawing import Layout
from circuits.stage import Part, Stage, short_name
from diagnose.show.stage.blocks import has_blocks
from diagnose.show.stage.canvas import (
    Area,
    bounds,
    line,
    part_group,
    rectangle,
    sheet,
    text,
    value_text,
    width,
)
from diagnose.show.stage.scene import Scene, scene
from diagnose.show.stage.unit_picture import unit_scene

_HIGH = 40.0
"""Height of a box of the supplies, CSS pixels."""
_APART = 22.0
"""Between two boxes of the supplies, CSS pixels."""


def render(
    stage: Stage,
    lit: Mapping[str, float] | None = None,
    *,
    prefix: str = "",
    layout: Layout | None = None,
) -> str:
    """Draw a stage.

    Parameters
    ----------
    stage : Stage
        With the values of this unit, which the drawing shows.
    lit : mapping of part to probability, optional
        Parts to light up, by the probability (0 to 1) that the fault lies there; those below
        0.01 stay as they are.
    prefix : str
        Put before every id, for two drawings on one page.
    layout : Layout, optional
        Where its parts stand; by default as `layout_of` has it.

    Returns
    -------
    str
        An ``<svg>`` element of natural size in CSS pixels, fit for a page and for a file.

    Raises
    ------
    InputError
        When a part to be lit is not in the stage.
    """
    lit = dict(lit or {})
    for name in lit:
        stage.part(name)
    if layout is None and has_blocks(stage):
        members, area = unit_scene(stage, lit, prefix)
    else:
        members, area = scene(stage, lit, prefix, layout)
    below, whole = behind_rails(stage, lit, prefix, area)
    return sheet(stage.title or stage.name, whole, [*members, *below], lit, prefix)


def behind_rails(stage: Stage, lit: Mapping[str, float], prefix: str, above: Area) -> Scene:
    """The parts behind the rails, a row of boxes for each supply, under the drawing."""
    rows: dict[str, list[Part]] = {}
    for part in stage.supply_parts:
        rows.setdefault(part.name.partition(" ")[0], []).append(part)
    members: list[ET.Element] = []
    left, _, _, y = above
    areas = [above]
    for owner, parts in rows.items():
        y += _APART
        members.append(_heading(owner, left, y + _HIGH / 2))
        x = left + width(owner) + _APART
        for k, part in enumerate(parts):
            words = [short_name(part.name), value_text(part)]
            area = (x, y, x + max(width(word) for word in words) + 14.0, y + _HIGH)
            if k:
                members.append(line([(x - _APART, y + _HIGH / 2), (x, y + _HIGH / 2)], "wire"))
            box = [rectangle(area, 0.0, "box"), *_words(words, area)]
            members.append(part_group(part, lit.get(part.name), area, box, prefix))
            members[-1].set("data-still", "")  # no part of the drawing that is arranged
            areas.append(area)
            x = area[2] + _APART
        y += _HIGH
    return members, bounds(areas)


def _heading(owner: str, x: float, y: float) -> ET.Element:
    group = ET.Element("g", {"class": "mark supply"})
    group.append(text(owner, x, y))
    return group


def _words(words: list[str], area: Area) -> list[ET.Element]:
    left, top, right, bottom = area
    x, y = (left + right) / 2, (top + bottom) / 2
    said = [word for word in words if word]
    kinds = ("name", "value")
    return [
        text(word, x, y + 15.0 * (k - (len(said) - 1) / 2), "middle", kinds[k])
        for k, word in enumerate(said)
    ]

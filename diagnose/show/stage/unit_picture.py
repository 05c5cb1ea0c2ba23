"""A unit of several stages drawn from the drawings of its stages, in the order of the signal."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from circuits.stage import Stage
from diagnose.show.stage.blocks import Block, blocks, renamed
from diagnose.show.stage.canvas import MARK_SIZE, Area, bounds, line, text, width
from diagnose.show.stage.scene import Scene, scene

_HEAD = 46.0
"""Room over each stage for its name, CSS pixels."""
_APART = 40.0
"""Between two stages, CSS pixels."""
_INDENT = 24.0
"""What the line of the signal takes at the left of all stages, CSS pixels."""


def heading(number: int, block: Block) -> str:
    """What stands over a stage of a unit: ``2 volume: Volume control with contour``."""
    return f"{number} {block.name}: {block.stage.title or block.stage.name}"


def block_scene(block: Block, lit: Mapping[str, float], prefix: str = "", shade: str = "") -> Scene:
    """What stands on the drawing of one stage of a unit.

    Parameters
    ----------
    lit : mapping of part to probability
        By the names of the unit.
    prefix : str
        Before the id of every part.
    shade : str
        Before the id of every hatch.
    """
    members, area = scene(block.stage, block.own(lit), shade)
    renamed(members, block, prefix)
    return members, area


def unit_scene(unit: Stage, lit: Mapping[str, float], prefix: str = "") -> Scene:
    """All stages of a unit one below the other, with the line of the signal at their left.

    Parameters
    ----------
    lit : mapping of part to probability
    prefix : str
        Before every id.
    """
    chain = unit.chain
    assert chain is not None
    groups: list[ET.Element] = []
    areas: list[Area] = []
    y = 0.0
    for number, block in enumerate(blocks(unit), 1):
        members, (left, top, right, bottom) = block_scene(block, lit, prefix, prefix)
        words = heading(number, block)
        head = ET.Element("g", {"class": "mark member", "data-member": block.name})
        head.append(text(words, 0.0, y + 10.0, kind_="name"))
        body = ET.Element("g", {"transform": f"translate({_INDENT - left:g} {y + _HEAD - top:g})"})
        body.extend(members)
        groups += [head, body]
        foot = y + _HEAD + bottom - top
        areas.append((0.0, y, max(_INDENT + right - left, width(words)), foot))
        if number < len(chain.names):
            groups.append(_passes_on(y + 26.0, foot + _APART - 6.0))
        y = foot + _APART
    return groups, bounds(areas)


def _passes_on(top: float, bottom: float) -> ET.Element:
    """The line from the name of a stage down to that of the next, with its arrow."""
    x = 0.5 * MARK_SIZE
    group = ET.Element("g", {"class": "wires"})
    group.append(line([(x, top), (x, bottom)], "wire"))
    group.append(line([(x - 5.0, bottom - 8.0), (x, bottom), (x + 5.0, bottom - 8.0)], "wire"))
    return group

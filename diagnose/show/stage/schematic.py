"""A stage as a circuit diagram: a drawing of `circuits.drawing` with symbols, labels and marks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from xml.etree import ElementTree as ET

from circuits.drawing import DIRECTIONS, Flag, Layout, Placement, Point
from circuits.drawing_nets import junctions, placed
from circuits.kinds import kind
from circuits.quantity import render
from circuits.stage import Part, Stage
from diagnose.show.stage.canvas import (
    MARK_SIZE,
    Area,
    bounds,
    line,
    part_group,
    text,
    text_area,
    value_text,
)
from diagnose.show.stage.symbols import STEP, body, symbol

_HALF_LINE = 7.5
"""Half the distance of two lines of a label, CSS pixels."""
_CLEAR = 14.0
"""Pixels from the middle of a lead to the middle of a name beside it."""
_GAP = 5.0
"""Between a symbol and its label, CSS pixels."""


def schematic(
    stage: Stage, layout: Layout, lit: Mapping[str, float], prefix: str = ""
) -> tuple[list[ET.Element], Area]:
    """The members of the drawing, and the area that they fill.

    Parameters
    ----------
    stage : Stage
        With the values of this unit.
    lit : mapping of part to probability
    prefix : str
        Before every id.
    """
    wires = ET.Element("g", {"class": "wires"})
    for corners in layout.wires:
        wires.append(line([_pixel(p) for p in corners], "wire"))
    for x, y in junctions(layout, stage):
        wires.append(_circle((x * STEP, y * STEP), 2.6, "dot"))
    parts = []
    areas = [(x, y, x, y) for corners in layout.wires for x, y in map(_pixel, corners)]
    for part, placement in placed(layout, stage):
        left, top, right, bottom = body(part, placement)
        area = (left * STEP, top * STEP, right * STEP, bottom * STEP)
        words = list(label(part, placement, area))
        group = part_group(
            part, lit.get(part.name), area, [*symbol(part, placement), *words], prefix
        )
        parts.append(group)
        areas += [area, *(text_area(word) for word in words)]
    marks = [_ground(point) for point in layout.grounds]
    marks += [mark(stage, flag, "rail") for flag in layout.rails]
    marks += [mark(stage, flag, "port") for flag in layout.ports]
    marks += [mark(stage, flag, "probe") for flag in layout.test_points]
    for one in marks:
        areas += [text_area(words, MARK_SIZE) for words in one.iter("text")]
    areas += [(x - 8, y, x + 8, y + 20) for x, y in map(_pixel, layout.grounds)]
    return [wires, *parts, *marks], bounds(areas)


def _pixel(point: Point) -> Point:
    return point[0] * STEP, point[1] * STEP


def _circle(centre: Point, radius: float, kind_: str) -> ET.Element:
    sizes = {"cx": centre[0], "cy": centre[1], "r": radius}
    return ET.Element("circle", {"class": kind_} | {k: f"{v:g}" for k, v in sizes.items()})


def label(part: Part, placement: Placement, area: Area) -> Iterator[ET.Element]:
    """Name and value beside the symbol."""
    left, top, right, bottom = area
    x, y = (left + right) / 2, (top + bottom) / 2
    words = [(part.name, "name")]
    value = value_text(part)
    if value:
        words.append((value, "value"))
    side = placement.label or _usual_side(part, placement)
    if kind(part.kind).family == "pentode" and side == placement.along:
        # the lead of the screen leaves here, and mostly goes upwards: the name stands clear of it
        x, y = (x, y + _CLEAR) if side in ("left", "right") else (x + _CLEAR, y)
    shift = _HALF_LINE * (len(words) - 1)
    for k, (word, kind_) in enumerate(words):
        row = 2 * _HALF_LINE * k
        match side:
            case "right":
                yield text(word, right + _GAP, y - shift + row, "start", kind_)
            case "left":
                yield text(word, left - _GAP, y - shift + row, "end", kind_)
            case "inside":  # the triangle of an op-amp, whose left half is the wider
                yield text(word, x - 5.0, y - shift + row, "middle", kind_)
            case "up":
                yield text(word, x, top - _GAP - 6.0 - 2 * shift + row, "middle", kind_)
            case "down":
                yield text(word, x, bottom + _GAP + 6.0 + row, "middle", kind_)
            case _ if placement.along in ("left", "right"):
                place = top - _GAP - 5.0 if k == 0 else bottom + _GAP + 6.0
                yield text(word, x, place, "middle", kind_)
            case _:
                if k == 0:
                    yield text(word, left - _GAP, y, "end", kind_)
                else:
                    yield text(word, right + _GAP, y, "start", kind_)


def _usual_side(part: Part, placement: Placement) -> str:
    """Above and below a part that lies, to the right of one that stands, away from the wiper."""
    family = kind(part.kind).family
    if family in ("opamp", "transformer"):
        return "inside" if family == "opamp" else "up"
    if len(part.nodes) > 2:
        if family == "potentiometer":
            return {"left": "right", "right": "left", "up": "down", "down": "up"}[placement.across]
        return placement.along
    return "split" if placement.along in ("left", "right") else "right"


def _ground(point: Point) -> ET.Element:
    group = ET.Element("g", {"class": "ground", "data-node": "0"})
    x, y = _pixel(point)
    group.append(line([(x, y), (x, y + 8)], "lead"))
    for k, half in enumerate((8.0, 5.0, 2.0)):
        group.append(line([(x - half, y + 8 + 4 * k), (x + half, y + 8 + 4 * k)], "lead"))
    return group


def mark(stage: Stage, flag: Flag, what: str) -> ET.Element:
    """A rail's bar, a port's ring or a probe's ring, with its name; a test point where it is one.

    Parameters
    ----------
    what : {"rail", "port", "probe"}
    """
    probed = dict(stage.test_points)
    classes = f"mark {what}" + (" test-point" if flag.name in probed else "")
    group = ET.Element("g", {"class": classes, "data-node": flag.name})
    if flag.name in probed:
        ET.SubElement(group, "title").text = f"{flag.name}: {probed[flag.name]}"
    x, y = _pixel(flag.at)
    dx, dy = DIRECTIONS[flag.side]
    if what == "probe":
        group.append(_circle((x, y), 4.5, "ring"))
        across, down = {
            "right": (9.0, 0.0), "left": (-7.0, -10.0), "up": (7.0, -10.0), "down": (7.0, 11.0),
        }[flag.side]
        anchor = "end" if flag.side == "left" else "start"
        group.append(text(flag.name, x + across, y + down, anchor))
        return group
    words = flag.name
    if what == "rail":
        words += " " + render(stage.rail(flag.name).volts, "V")
        group.append(line([(x, y), (x + 10 * dx, y + 10 * dy)], "lead"))
        bar = [(x + 10 * dx + s * 8 * dy, y + 10 * dy + s * 8 * dx) for s in (-1, 1)]
        group.append(line(bar, "lead"))
    else:
        group.append(_circle((x + 4 * dx, y + 4 * dy), 4.0, "ring"))
    anchor = {"right": "start", "left": "end"}.get(flag.side, "middle")
    reach = 14.0 if flag.side in ("left", "right") else 19.0
    group.append(text(words, x + reach * dx, y + reach * dy, anchor))
    return group

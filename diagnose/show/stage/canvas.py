"""What every drawing of a stage is made of: text of a known size, groups a part, lit parts.

A drawing is SVG in CSS pixels at its natural size. It carries no colour of its own but that of
suspicion, and that one never alone: a lit part also has a hatched field, an outline and bold text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from circuits.kinds import kinds
from circuits.quantity import render
from circuits.stage import Part
from diagnose.show.stage.chance import chance

NAME_SIZE = 13.0
"""Text of names and values, CSS pixels."""
MARK_SIZE = 12.0
"""Text of nodes and notes, CSS pixels."""
_WIDTH = 0.6
"""Usual width of a character over the size of a sans-serif text."""

Area = tuple[float, float, float, float]
"""Left, top, right and bottom, CSS pixels."""


@dataclass(frozen=True)
class Level:
    """How strongly a part is suspected: from which probability on, and how it looks."""

    name: str
    least: float
    words: str
    hatch: str
    dash: str


LEVELS = (
    Level("high", 0.5, "50 % and more", "M0,8 L8,0 M0,0 L8,8", "none"),
    Level("middle", 0.1, "10 to 50 %", "M0,8 L8,0", "6,3"),
    Level("low", 0.01, "1 to 10 %", "M3,4 L4.5,4", "2,3"),
)
"""Crossed, single and dotted fields, with whole, dashed and dotted outlines."""

_COLOUR = "#D55E00"
"""Vermilion of Okabe and Ito, which keeps its contrast on white and on black."""

STYLE = f"""
.stage-drawing {{ color-scheme: light dark; }}
.stage-drawing text {{ font: {NAME_SIZE:g}px sans-serif; fill: currentColor; stroke: none; }}
.stage-drawing .mark text, .stage-drawing .pin {{ font-size: {MARK_SIZE:g}px; }}
.stage-drawing .test-point text {{ font-style: italic; }}
.stage-drawing .dot {{ fill: currentColor; }}
.stage-drawing .body {{ stroke: none; pointer-events: all; }}
.stage-drawing .field {{ stroke: {_COLOUR}; }}
.stage-drawing .lit text {{ font-weight: bold; }}
.stage-drawing .lit {{ stroke-width: 2.4; }}
.stage-drawing .field {{ stroke-width: 1.5; }}
""".strip()


def level(probability: float) -> Level | None:
    """The strongest level that a probability reaches."""
    return next((one for one in LEVELS if probability >= one.least), None)


def identifier(name: str, prefix: str = "") -> str:
    """``part-C3`` of C3; other signs than letters, digits and points become ``_``."""
    return f"{prefix}part-{re.sub(r'[^A-Za-z0-9.-]', '_', name)}"


def value_text(part: Part) -> str:
    """The value as a drawing has it: ``4.7k``, ``680Ω``, ``10µF``; empty for contacts and devices.

    A contact's resistance is a matter of its health, and no drawing states it.
    """
    this = kinds().get(part.kind)  # what stands behind a rail has kinds of its own besides
    if this is None or part.value is None or not this.unit:
        return ""
    if this.family == "contact" and part.kind != "lamp":
        return ""
    if this.unit == "ohm" and part.value < 1.0:
        return f"{part.value:.2g}Ω"  # nobody writes 330 mΩ on a drawing
    text = render(part.value, this.unit).replace(" ", "")
    return text.removesuffix("Ω") if re.search(r"[kMG]Ω$", text) else text


def described(part: Part, probability: float | None) -> str:
    """What a pointer at a part says: kind, value, role, and how probable."""
    unit = kinds()[part.kind].unit if part.kind in kinds() else ""
    value = "" if part.value is None or not unit else render(part.value, unit)
    words = " ".join(word for word in (part.name, part.kind, value) if word)
    said = f"{words}, {part.role}" if part.role else words
    return said if probability is None else f"{said}: {chance(min(probability, 1.0))}"


def text(words: str, x: float, y: float, anchor: str = "start", kind_: str = "") -> ET.Element:
    """A line of text; `y` is its middle."""
    element = ET.Element("text", {"x": f"{x:g}", "y": f"{y + 0.36 * NAME_SIZE:g}"})
    if anchor != "start":
        element.set("text-anchor", anchor)
    if kind_:
        element.set("class", kind_)
    element.text = words
    return element


def width(words: str, size: float = NAME_SIZE) -> float:
    """About how long a text is, CSS pixels."""
    return _WIDTH * size * len(words)


def text_area(element: ET.Element, size: float = NAME_SIZE) -> Area:
    """About where a text is."""
    long = width(element.text or "", size)
    x, y = float(element.get("x", "0")), float(element.get("y", "0"))
    left = x - {"middle": 0.5, "end": 1.0}.get(element.get("text-anchor", ""), 0.0) * long
    return left, y - 0.8 * size, left + long, y + 0.25 * size


def part_group(
    part: Part,
    probability: float | None,
    area: Area,
    members: Iterable[ET.Element],
    prefix: str = "",
) -> ET.Element:
    """A part: its field where it is lit, the area that a finger finds, symbol and label.

    Parameters
    ----------
    probability : float or None
        Of the part's being the cause, 0 to 1; None where nothing is known.
    area : Area
        What the symbol fills.
    members : iterable of Element
        Symbol and label.
    prefix : str
        Before every id, for two drawings on one page.
    """
    suspected = None if probability is None else level(probability)
    classes = "part" if suspected is None else f"part lit lit-{suspected.name}"
    group = ET.Element(
        "g", {"id": identifier(part.name, prefix), "class": classes, "data-part": part.name}
    )
    if probability is not None:
        group.set("data-probability", f"{probability:.4g}")
    ET.SubElement(group, "title").text = described(part, probability)
    if suspected is not None:
        field = rectangle(area, 3.0, "field")
        field.set("fill", f"url(#{prefix}field-{suspected.name})")
        if suspected.dash != "none":
            field.set("stroke-dasharray", suspected.dash)
        group.append(field)
    group.append(rectangle(area, 0.0, "body"))
    group.extend(members)
    return group


def rectangle(area: Area, margin: float, kind_: str) -> ET.Element:
    """A rectangle around an area."""
    left, top, right, bottom = area
    sizes = {
        "x": left - margin, "y": top - margin,
        "width": right - left + 2 * margin, "height": bottom - top + 2 * margin,
    }
    return ET.Element("rect", {"class": kind_} | {k: f"{v:g}" for k, v in sizes.items()})


def line(points: Iterable[tuple[float, float]], kind_: str) -> ET.Element:
    """A line through points."""
    written = " ".join(f"{x:g},{y:g}" for x, y in points)
    return ET.Element("polyline", {"class": kind_, "points": written})


def bounds(areas: Iterable[Area]) -> Area:
    """The area that holds all of some."""
    lefts, tops, rights, bottoms = zip(*areas, strict=True)
    return min(lefts), min(tops), max(rights), max(bottoms)


def sheet(
    title: str,
    area: Area,
    members: Iterable[ET.Element],
    lit: Mapping[str, float],
    prefix: str = "",
) -> str:
    """The whole SVG, with a legend of the levels in use under it.

    Parameters
    ----------
    area : Area
        Of everything in it.
    lit : mapping of part to probability
    prefix : str
        Before every id.
    """
    left, top, right, bottom = area
    used = [one for one in LEVELS if one in {level(p) for p in lit.values()}]
    legend = ET.Element("g", {"class": "legend mark"})
    x, foot = left, bottom + 24.0
    for one in used:
        swatch = rectangle((x, foot - 7.0, x + 22.0, foot + 7.0), 0.0, "field")
        swatch.set("fill", f"url(#{prefix}field-{one.name})")
        if one.dash != "none":
            swatch.set("stroke-dasharray", one.dash)
        legend.append(swatch)
        legend.append(text(one.words, x + 29.0, foot))
        x += 29.0 + width(one.words, MARK_SIZE) + 24.0
    if used:
        right, bottom = max(right, x), foot + 8.0
    margin = 10.0
    wide, high = right - left + 2 * margin, bottom - top + 2 * margin
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg",
        "class": "stage-drawing",
        "role": "group",
        "aria-label": title,
        "width": f"{wide:.0f}",
        "height": f"{high:.0f}",
        "viewBox": f"{left - margin:g} {top - margin:g} {wide:g} {high:g}",
        "fill": "none",
        "stroke": "currentColor",
        "stroke-width": "1.5",
        "stroke-linecap": "round",
        "stroke-linejoin": "round",
    })
    ET.SubElement(root, "style").text = STYLE
    if used:
        root.append(_hatches(used, prefix))
    root.extend(members)
    if used:
        root.append(legend)
    return ET.tostring(root, encoding="unicode")


def _hatches(levels: Iterable[Level], prefix: str) -> ET.Element:
    definitions = ET.Element("defs")
    for one in levels:
        pattern = ET.SubElement(definitions, "pattern", {
            "id": f"{prefix}field-{one.name}", "width": "8", "height": "8",
            "patternUnits": "userSpaceOnUse",
        })
        ET.SubElement(pattern, "path", {
            "d": one.hatch, "stroke": _COLOUR, "stroke-width": "1", "stroke-opacity": "0.6",
        })
    return definitions

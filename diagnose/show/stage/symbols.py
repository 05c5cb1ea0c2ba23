"""The symbol of each part kind, drawn by schemdraw, as SVG elements on the drawing's grid.

Everything is drawn in ``currentColor`` without a fill, so that a page or a report decides about
colours; a style of its own is left to nothing.
"""

from __future__ import annotations

import sys
from functools import cache
from types import ModuleType
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from circuits.drawing import DIRECTIONS, Placement, Point
from circuits.drawing_nets import pins, turned
from circuits.kinds import kind
from circuits.stage import Part

if TYPE_CHECKING:
    from schemdraw.elements import Element, Element2Term

STEP = 16.0
"""CSS pixels a grid step."""
_UNIT = 2.0
"""Grid steps a unit of schemdraw, in which a resistor's body is one long."""
_LINE = 1.5
"""Width of lines, CSS pixels."""

Box = tuple[float, float, float, float]
"""Left, top, right and bottom, in grid steps."""

_SVG = "{http://www.w3.org/2000/svg}"
_GEOMETRY = ("d", "points", "cx", "cy", "r", "rx", "ry", "x1", "y1", "x2", "y2", "transform")

_INLINE_SIZES = {
    "capacitor": (0.35, 0.7), "diode": (0.5, 0.65), "potentiometer": (1.0, 0.7),
    "contact": (1.0, 0.6), "inductor": (1.0, 0.8),
}
"""Half the length and half the width of a body, grid steps; a resistor's for the others."""
_DEVICE_SIZES = {
    "bipolar": (0.55, -1.1, 2.75, 1.1), "jfet": (0.9, -1.0, 2.1, 1.6),
    "mosfet": (0.9, -0.45, 2.85, 1.5), "triode": (0.25, -1.75, 3.75, 1.75),
    "pentode": (0.25, -1.75, 3.75, 1.75),
}
"""Along and across from the control pin, grid steps: nearest, lowest, farthest, highest."""


@cache
def _schemdraw() -> ModuleType:
    """The library, without the half of it that draws by matplotlib.

    It imports pyplot where it finds it, which takes longer than all drawings together; where
    that half cannot be imported it goes on with its own SVG, which is all that is wanted here.
    """
    half = "schemdraw.backends.mpl"
    hidden = half not in sys.modules
    if hidden:
        sys.modules[half] = None  # type: ignore[assignment]  # what import calls "not there"
    try:
        import schemdraw
        import schemdraw.elements
    finally:
        if hidden:
            del sys.modules[half]
    return schemdraw


def symbol(part: Part, placement: Placement) -> list[ET.Element]:
    """The symbol of a part with its leads, at its place.

    Returns
    -------
    list of Element
        SVG elements without namespace, in CSS pixels.
    """
    family = kind(part.kind).family
    if family == "transformer" or (len(part.nodes) > 2 and family != "potentiometer"):
        return _device(part.kind, family, len(part.nodes), placement)
    return _inline(part, family, placement)


def body(part: Part, placement: Placement) -> Box:
    """The box that the symbol fills, without its leads."""
    family = kind(part.kind).family
    if len(part.nodes) == 2 or family == "potentiometer":
        long, wide = _INLINE_SIZES.get(family, (1.0, 0.5))
        if family == "potentiometer" and len(part.nodes) == 2:
            wide = 1.5  # the arrow through it
        middle = placement.length / 2
        corners = [turned(placement, middle + s * long, s * wide) for s in (-1, 1)]
        if len(part.nodes) == 3:
            corners.append(turned(placement, middle, 1.2))
    elif family == "transformer":
        corners = list(pins(part, placement))
    elif family == "opamp":
        corners = [turned(placement, 0.5, -1.0), turned(placement, 3.6, 3.0)]
    else:
        near, low, far, high = _DEVICE_SIZES[family]
        corners = [turned(placement, near, low), turned(placement, far, high)]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    return min(xs), min(ys), max(xs), max(ys)


def _at(point: Point) -> Point:
    """A grid point in the library's units, whose second axis points upwards."""
    return point[0] / _UNIT, -point[1] / _UNIT


def _drawn(element: Element) -> list[ET.Element]:
    """What the library draws, freed from its styles."""
    sheet = _schemdraw().Drawing(canvas="svg", show=False)
    sheet.config(inches_per_unit=STEP * _UNIT / 72.0, color="currentColor", lw=_LINE)
    sheet.add(element)
    children = []
    for drawn in ET.fromstring(sheet.get_imagedata("svg")):
        kept = {key: value for key, value in drawn.attrib.items() if key in _GEOMETRY}
        copy = ET.Element(drawn.tag.removeprefix(_SVG), kept)
        if "fill:currentcolor" in drawn.get("style", ""):
            copy.set("fill", "currentColor")
        children.append(copy)
    return children


def _inline(part: Part, family: str, placement: Placement) -> list[ET.Element]:
    element = _inline_element(part, family)
    if len(part.nodes) == 3:
        ax, ay = DIRECTIONS[placement.along]
        # the library has the wiper at the left of who goes from the first pin to the last
        if DIRECTIONS[placement.across] != (ay, -ax):
            element.flip()
    start, end = placement.at, turned(placement, placement.length, 0.0)
    drawn = _drawn(element.at(_at(start)).to(_at(end)))
    if len(part.nodes) == 3:
        wiper, arrow = pins(part, placement)[1], turned(placement, placement.length / 2, 1.4)
        drawn.append(_line([wiper, arrow]))
    return drawn


def _inline_element(part: Part, family: str) -> Element2Term:
    """A symbol in a line, of the European kind where there are two."""
    elements = _schemdraw().elements
    match part.kind:
        case "zener":
            inline = elements.Zener()
        case "fuse":
            inline = elements.FuseIEC()
        case "switch" | "relay" | "lamp" | "connector":
            inline = _contact(part.kind)
        case _:
            match family:
                case "capacitor":
                    inline = elements.Capacitor()
                case "inductor":
                    inline = elements.Inductor2(loops=4)
                case "diode":
                    inline = elements.Diode()
                case "potentiometer" if len(part.nodes) == 3:
                    inline = elements.PotentiometerIEC()
                case "potentiometer":
                    inline = elements.ResistorVarIEC()
                case _:
                    inline = elements.ResistorIEC()
    if part.kind in ("electrolytic", "tantalum"):
        segment = _schemdraw().Segment
        inline.segments.append(segment([(-0.32, 0.2), (-0.12, 0.2)]))
        inline.segments.append(segment([(-0.22, 0.1), (-0.22, 0.3)]))
    element: Element2Term = inline
    return element


def _contact(kind_name: str) -> Element2Term:
    """A plug in its socket, a lamp, or a contact, which is drawn closed as in a healthy stage."""
    library = _schemdraw()
    line, ring = library.Segment, library.SegmentCircle
    gap = (float("nan"), float("nan"))
    contact: Element2Term = library.elements.Element2Term()
    if kind_name == "connector":
        contact.segments.append(line([(0, 0), (0.45, 0), gap, (0.6, 0), (1, 0)]))
        for x in (0.45, 0.6):
            contact.segments.append(line([(x - 0.15, 0.2), (x, 0), (x - 0.15, -0.2)]))
        return contact
    contact.segments.append(line([(0, 0), gap, (0.8, 0)]))
    if kind_name == "lamp":
        contact.segments.append(ring((0.4, 0), 0.4))
        for y in (-0.28, 0.28):
            contact.segments.append(line([(0.12, y), (0.68, -y)]))
        return contact
    for x in (0.06, 0.74):
        contact.segments.append(ring((x, 0), 0.06))
    contact.segments.append(line([(0.06, 0.06), (0.8, 0.1)]))
    if kind_name == "relay":  # moved by a coil
        contact.segments.append(line([(0.43, 0.08), (0.43, 0.3)], ls="--"))
        contact.segments.append(line([(0.25, 0.3), (0.61, 0.3)]))
    return contact


# Each device as the library draws it, with its control pin's lead to the left and its first pin
# up: class, scale, upside down, left and right changed, the library's anchor of every pin.
_DEVICES: dict[str, tuple[str, float, bool, bool, tuple[str, ...]]] = {
    "npn": ("BjtNpn", 1.0, False, False, ("collector", "base", "emitter")),
    "pnp": ("BjtPnp", 1.0, True, False, ("collector", "base", "emitter")),
    "njf": ("JFetN", 0.95, False, True, ("drain", "gate", "source")),
    "pjf": ("JFetP", 0.95, False, True, ("drain", "gate", "source")),
    "nmos": ("NMos", 0.8, False, False, ("drain", "gate", "source")),
    "pmos": ("PMos", 0.8, True, False, ("drain", "gate", "source")),
    "triode": ("Triode", 1.0, False, False, ("anode", "grid", "cathode_R")),
    "pentode": ("Pentode", 0.9, False, False, ("anode", "screen_R", "control", "cathode_R")),
}


def _device(
    kind_name: str, family: str, count: int, placement: Placement
) -> list[ET.Element]:
    """A symbol of more than two pins: drawn lying to the right at the origin, then turned."""
    if family == "opamp":
        drawn = _opamp(count, turned(placement, 1, -1)[1] < turned(placement, 1, 3)[1])
    elif family == "transformer":
        drawn = _transformer()
    else:
        drawn = list(_standing(kind_name))
    ax, ay = DIRECTIONS[placement.along]
    bx, by = DIRECTIONS[placement.across] if placement.across else (-ay, ax)
    x, y = placement.at
    # the drawing's first axis goes along, its second one (downwards) against the across
    sign = 1.0 if family in ("opamp", "transformer") else -1.0
    numbers = (ax, ay, sign * bx, sign * by, x * STEP, y * STEP)
    group = ET.Element("g", {"transform": f"matrix({' '.join(f'{n:g}' for n in numbers)})"})
    group.extend(drawn)
    return [group]


@cache
def _standing(kind_name: str) -> tuple[ET.Element, ...]:
    """A transistor or valve: control pin at the origin, first pin above, last pin below."""
    name, scale, upside_down, mirrored, anchors = _DEVICES[kind_name]
    family = kind(kind_name).family
    options = {"heater": False} if family in ("triode", "pentode") else {"circle": family != "jfet"}
    element = getattr(_schemdraw().elements, name)(**options).scale(scale).theta(0)
    place = {}
    for anchor in anchors:
        ux, uy = element.anchors[anchor]
        place[anchor] = (-ux if mirrored else ux) * scale, (-uy if upside_down else uy) * scale
    if mirrored:
        element.reverse()
    if upside_down:
        element.flip()
    top, control, bottom = anchors[0], anchors[-2], anchors[-1]
    # its line of current two steps to the right of the control pin, which is level with it
    shift = (1.0 - place[top][0], -place[control][1])
    drawn = _drawn(element.at(shift))
    ends = {a: ((x + shift[0]) * _UNIT, -(y + shift[1]) * _UNIT) for a, (x, y) in place.items()}
    drawn.append(_line([(0.0, 0.0), ends[control]]))
    drawn.append(_line([(2.0, -2.0), ends[top]]))
    (x, y), below = ends[bottom], 2.0
    knee = [(x, y)] if x == 2.0 else [(2.0, (y + below) / 2), (x, (y + below) / 2), (x, y)]
    drawn.append(_line([(2.0, below), *knee]))
    for anchor in anchors[1:-2]:
        drawn.append(_line([ends[anchor], (4.0, ends[anchor][1]), (4.0, 0.0)]))
    return tuple(drawn)


def _opamp(count: int, rails_follow: bool) -> list[ET.Element]:
    """Non-inverting input at the origin, inverting input two steps below it."""
    element = _schemdraw().elements.Opamp(sign=False, leads=False).scale(0.8).theta(0)
    drawn = _drawn(element.at((0.25, -0.5)))
    for y in (0.0, 2.0):
        drawn.append(_line([(0.0, y), (0.5, y)]))
    drawn.append(_line([(0.8, 0.0), (1.4, 0.0)]))
    drawn.append(_line([(1.1, -0.3), (1.1, 0.3)]))
    drawn.append(_line([(0.8, 2.0), (1.4, 2.0)]))
    drawn.append(_line([(3.9, 1.0), (4.0, 1.0)]))
    if count > 3:
        drawn.append(_line([(1.0, -1.0), (1.0, -0.7)]))
        drawn.append(_line([(1.0, 3.0), (1.0, 2.7)]))
    return drawn


def _transformer() -> list[ET.Element]:
    """First primary pin at the origin, the secondary two steps to the right."""
    element = _schemdraw().elements.Transformer(t1=4, t2=4).scale(1.5 / 1.6).theta(0)
    drawn = _drawn(element.at((0.03, -1.5)))
    for y in (0.0, 3.0):
        drawn.append(_line([(0.0, y), (0.06, y)]))
        drawn.append(_line([(1.93, y), (2.0, y)]))
    return drawn


def _line(points: list[Point]) -> ET.Element:
    text = " ".join(f"{x * STEP:g},{y * STEP:g}" for x, y in points)
    return ET.Element("polyline", {"points": text})

"""In which ways a part may stand on a drawing made by itself, and what room each takes.

Ground and rails stand at the pins that meet them, so a shape is a symbol with its words and
these marks; what is left to be joined by wires are its other pins.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from circuits.drawing import DIRECTIONS, Flag, Placement, Point
from circuits.drawing_nets import pins
from circuits.kinds import kind
from circuits.stage import GROUND, Part, Stage
from diagnose.show.stage.canvas import MARK_SIZE, NAME_SIZE
from diagnose.show.stage.schematic import label, mark
from diagnose.show.stage.symbols import STEP, Box, body

_WIDE = {".": 0.35, ",": 0.35, " ": 0.35, "-": 0.4, "i": 0.3, "l": 0.3, "I": 0.32, "j": 0.3,
         "f": 0.38, "t": 0.42, "r": 0.45, "1": 0.64, "m": 1.0, "M": 0.9, "W": 1.0, "w": 0.85,
         "Ω": 0.8, "Q": 0.8, "%": 0.96}
"""Width of a character over the size of the text, where it is not `_USUAL`: a wide sans-serif."""
_USUAL = 0.68
"""Width of any other character over the size of the text."""
_STANDS = 1.0
"""What a capacitor that stands between two signals costs, in grid steps of wire."""
_TURNED = 4.0
"""The same of a device that looks to the left."""
_BACKWARD = 4.0
"""The same of a part that the signal runs through to the left."""
_PARTLY = 0.06
"""Which share of the supply lies across a part through which direct current goes down."""
_LONG_POT = 4.0
"""Grid steps between the ends of a potentiometer."""


@dataclass(frozen=True)
class Shape:
    """One way for a part to stand, its first pin at the origin; a port is one of no part.

    Attributes
    ----------
    pins : tuple of (node, Point)
        Those that wires are to reach.
    solid : tuple of Box
        Body, leads, words and marks, in grid steps.
    wires, grounds, rails
        What ground and rails take at the pins.
    cost : float
        How unusual it is, in grid steps of wire.
    sides : tuple of str
        Direction that leads away from the part, of each of `pins`.
    spines : tuple of (x, y, x, y)
        Lines that its body lies on, which no wire should cross.
    """

    placement: Placement
    pins: tuple[tuple[str, Point], ...]
    solid: tuple[Box, ...]
    wires: tuple[tuple[Point, ...], ...] = ()
    grounds: tuple[Point, ...] = ()
    rails: tuple[Flag, ...] = ()
    cost: float = 0.0
    sides: tuple[str, ...] = ()
    spines: tuple[Box, ...] = ()


def words_box(element: ET.Element, size: float) -> Box:
    """What a text takes at most, with a margin, in grid steps."""
    long = size * sum(_WIDE.get(sign, _USUAL) for sign in element.text or "")
    x, y = float(element.get("x", "0")), float(element.get("y", "0"))
    left = x - {"middle": 0.5, "end": 1.0}.get(element.get("text-anchor", ""), 0.0) * long
    box = (left - 3.0, y - 0.82 * size - 1.5, left + long + 3.0, y + 0.26 * size + 1.5)
    return box[0] / STEP, box[1] / STEP, box[2] / STEP, box[3] / STEP


def shifted(box: Box, x: float, y: float) -> Box:
    """The box so many steps further."""
    return box[0] + x, box[1] + y, box[2] + x, box[3] + y


def flag_boxes(stage: Stage, flag: Flag, what: str) -> Iterator[Box]:
    """What a mark takes: its words, and its bar or ring."""
    for words in mark(stage, flag, what).iter("text"):
        yield words_box(words, MARK_SIZE)
    (x, y), (dx, dy) = flag.at, DIRECTIONS[flag.side]
    if what == "probe":
        yield x - 0.3, y - 0.3, x + 0.3, y + 0.3
        return
    far = (x + 0.7 * dx, y + 0.7 * dy)
    side = 0.5 if what == "rail" else 0.25
    yield (
        min(x, far[0]) - side * abs(dy), min(y, far[1]) - side * abs(dx),
        max(x, far[0]) + side * abs(dy), max(y, far[1]) + side * abs(dx),
    )


def over(a: Box, b: Box) -> bool:
    """Whether two boxes share more than an edge."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def ground_box(at: Point) -> Box:
    """What a ground symbol takes."""
    return at[0] - 0.55, at[1], at[0] + 0.55, at[1] + 1.1


def port_shapes(stage: Stage, node: str) -> tuple[Shape, ...]:
    """The mark of the input or its return points to the left, that of the output to the right."""
    side = "right" if node == stage.output else "left"
    back = "left" if side == "right" else "right"
    flag = Flag(node, (0.0, 0.0), side)
    solid = tuple(flag_boxes(stage, flag, "port"))
    return (Shape(Placement((0.0, 0.0), side), ((node, (0.0, 0.0)),), solid,
                  sides=(back,)),)


def shapes(
    stage: Stage, part: Part, volts: dict[str, float], shares: dict[str, float]
) -> tuple[Shape, ...]:
    """The ways in which a part may stand, the usual one first.

    Parameters
    ----------
    volts : dict of node to float
        About how high each node lies, -1 to 1.
    shares : dict of node to float
        How far each is on the way of the signal, 0 to 1.
    """
    found = [shape_of(stage, part, placement, cost + _against(part, placement, shares))
             for placement, cost in _placements(stage, part, volts)]
    return tuple(sorted(found, key=lambda one: one.cost))


def _placements(
    stage: Stage, part: Part, volts: dict[str, float]
) -> Iterator[tuple[Placement, float]]:
    family, origin = kind(part.kind).family, (0.0, 0.0)
    if len(part.nodes) == 2:
        for way, cost in _ways(stage, part, volts):
            sides = ("right", "left") if way in ("up", "down") else ("split", "up", "down")
            for k, side in enumerate(sides):
                yield Placement(origin, way, label=side), cost + 0.3 * k
    elif family == "opamp":
        for across in ("down", "up"):
            yield Placement(origin, "right", across=across), 0.0
    elif family == "transformer":
        for along in ("right", "left"):
            yield Placement(origin, along), 0.0 if along == "right" else _TURNED
    elif family == "potentiometer":
        a, b = (volts[part.nodes[k]] for k in (0, 2))
        for along in DIRECTIONS:
            standing = along in ("up", "down")
            wrong = standing and abs(a - b) > _PARTLY and (a > b) != (along == "down")
            for across in ("left", "right") if standing else ("up", "down"):
                cost = (0.0 if standing else 1.5) + (6.0 if wrong else 0.0)
                yield Placement(origin, along, _LONG_POT, across), cost
    else:
        up = "down" if part.kind in ("pnp", "pjf", "pmos") else "up"
        for along in ("right", "left"):
            cost = 0.0 if along == "right" else _TURNED
            yield Placement(origin, along, across=up), cost


def _against(part: Part, placement: Placement, shares: dict[str, float]) -> float:
    """What a part in a line costs that the signal runs through from right to left."""
    if placement.along not in ("left", "right"):
        return 0.0
    first, last = shares.get(part.nodes[0]), shares.get(part.nodes[-1])
    if len(part.nodes) != 2 or first is None or last is None or first == last:
        return 0.0
    return _BACKWARD if (first < last) != (placement.along == "right") else 0.0


def _ways(stage: Stage, part: Part, volts: dict[str, float]) -> Iterator[tuple[str, float]]:
    """Directions from the first pin of a part with two, and what each costs."""
    rails = {rail.name: rail.volts for rail in stage.rails}
    a, b = part.nodes
    first, last = (math.inf if rails.get(n, 0.0) > 0 else -math.inf if n in rails else
                   volts[n] for n in (a, b))
    # ground is the foot of everything but of what hangs between it and a negative rail
    if GROUND in (a, b) and not {first, last} & {math.inf, -math.inf}:
        first, last = (-math.inf if n == GROUND else volts[n] for n in (a, b))
    fixed = math.isinf(first) or math.isinf(last)
    family = kind(part.kind).family
    conducts = family not in ("capacitor", "contact")
    down = first > last
    if fixed and family == "contact":
        yield ("right" if b == GROUND or b in rails else "left"), 0.0
        yield ("down" if down else "up"), _STANDS
    elif fixed:
        yield ("down" if down else "up"), 0.0
    elif conducts and abs(first - last) > _PARTLY:
        yield ("down" if down else "up"), 0.0
        yield "right", 2 * _STANDS
        yield "left", 2 * _STANDS
    else:
        yield "right", 0.0
        yield "left", 0.0
        yield "down", _STANDS
        yield "up", _STANDS


def shape_of(
    stage: Stage, part: Part, placement: Placement, cost: float = 0.0,
    joined: Container[int] = (),
) -> Shape:
    """One way for a part to stand.

    Parameters
    ----------
    placement : Placement
        Anywhere on the grid.
    joined : container of int
        Pins on ground or a rail that something reaches already: no mark stands there.
    """
    rails = {rail.name for rail in stage.rails}
    box = body(part, placement)
    at = pins(part, placement)
    solid = [box, *words_of(part, placement)]
    solid += list(leads(at, box))
    open_pins: list[tuple[str, Point]] = []
    wires: list[tuple[Point, ...]] = []
    grounds: list[Point] = []
    flags: list[Flag] = []
    sides: list[str] = []
    for k, node in enumerate(part.nodes):
        if k in joined:
            continue
        side = _outward(part, placement, at, k)
        x, y = at[k]
        dx, dy = DIRECTIONS[side]
        if node == GROUND:
            foot = (x, y)
            if side == "up" or any(over(ground_box(foot), b) for b in solid):
                foot = (x + dx, y + dy)
            if side == "up":
                wires.append((at[k], foot, (foot[0] + 1.0, foot[1])))
                foot = (foot[0] + 1.0, foot[1])
            elif foot != (x, y):
                wires.append((at[k], foot))
            grounds.append(foot)
            solid.append(ground_box(foot))
            if foot != at[k]:
                solid.append((min(x, foot[0]), min(y, foot[1]), max(x, foot[0]), max(y, foot[1])))
        elif node in rails:
            flags.append(Flag(node, at[k], side))
            solid += list(flag_boxes(stage, flags[-1], "rail"))
        else:
            open_pins.append((node, at[k]))
            sides.append(side)
    return Shape(placement, tuple(open_pins), tuple(solid), tuple(wires), tuple(grounds),
                 tuple(flags), cost, tuple(sides), tuple(_spines(at, box)))


def words_of(part: Part, placement: Placement) -> list[Box]:
    """What name and value of a part take."""
    left, top, right, bottom = body(part, placement)
    area = (left * STEP, top * STEP, right * STEP, bottom * STEP)
    return [words_box(word, NAME_SIZE) for word in label(part, placement, area)]


def leads(at: tuple[Point, ...], box: Box) -> Iterator[Box]:
    """Thin boxes from each pin straight into the body, so that no wire passes along its edge."""
    left, top, right, bottom = box
    thin = 0.05
    for x, y in at:
        if left <= x <= right and not top < y < bottom:
            middle = (top + bottom) / 2 if y not in (top, bottom) else y
            yield x - thin, min(y, middle), x + thin, max(y, middle)
        elif top <= y <= bottom and not left < x < right:
            middle = (left + right) / 2 if x not in (left, right) else x
            yield min(x, middle), y - thin, max(x, middle), y + thin


def _spines(at: tuple[Point, ...], box: Box) -> Iterator[Box]:
    """Lines from the first pin to the last, and from others to the middle of the body."""
    yield (*at[0], *at[-1])
    if len(at) > 2:
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        for pin in at[1:-1]:
            yield (*pin, x, y)


def _outward(part: Part, placement: Placement, at: tuple[Point, ...], k: int) -> str:
    """The direction that leads away from the part at a pin."""
    back = {"right": "left", "left": "right", "up": "down", "down": "up"}
    if len(at) == 2:
        return placement.along if k else back[placement.along]
    left, top, right, bottom = body(part, placement)
    x, y = at[k]
    beyond = {"left": left - x, "right": x - right, "up": top - y, "down": y - bottom}
    return max(beyond, key=lambda side: beyond[side])

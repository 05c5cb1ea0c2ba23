"""What a drawing connects, derived from its geometry alone, and whether that is the stage.

The rules are those of any circuit diagram: what touches is joined, wires that cross are not,
a wire that ends on another is.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from circuits.drawing import DIRECTIONS, Layout, Placement, Point
from circuits.kinds import kind
from circuits.stage import GROUND, Part, Stage

Pin = tuple[str, int]
"""A part's name and the place of the pin in its nodes."""

Stretch = tuple[Point, Point]

REACH = 2.0
"""Grid steps from a device's control pin to the line of its other pins, and from there to each."""


def turned(placement: Placement, forward: float, sideways: float) -> Point:
    """The point so many steps along a placement and across it."""
    ax, ay = DIRECTIONS[placement.along]
    bx, by = DIRECTIONS[placement.across] if placement.across else (-ay, ax)
    x, y = placement.at
    return x + forward * ax + sideways * bx, y + forward * ay + sideways * by


def pins(part: Part, placement: Placement) -> tuple[Point, ...]:
    """Where the pins of a part are, in the order of its nodes.

    Returns
    -------
    tuple of Point
        Grid steps.
    """
    count = len(part.nodes)

    def at(forward: float, sideways: float) -> Point:
        return turned(placement, forward, sideways)

    if count == 2:
        return at(0, 0), at(placement.length, 0)
    match kind(part.kind).family:
        case "potentiometer":
            return at(0, 0), at(placement.length / 2, REACH), at(placement.length, 0)
        case "opamp":
            # the positive rail is drawn at the top, however the inputs lie
            over, under = sorted((at(1, -1), at(1, 3)), key=lambda p: p[1])
            return (at(0, 0), at(0, 2), at(4, 1), over, under)[:count]
        case "pentode":
            return at(REACH, REACH), at(2 * REACH, 0), at(0, 0), at(REACH, -REACH)
        case "transformer":
            return at(0, 0), at(0, 3), at(2, 0), at(2, 3)
        case _:
            return at(REACH, REACH), at(0, 0), at(REACH, -REACH)


def placed(layout: Layout, stage: Stage) -> Iterator[tuple[Part, Placement]]:
    """Each part with its place."""
    for name, placement in layout.parts:
        yield stage.part(name), placement


def stretches(layout: Layout) -> tuple[Stretch, ...]:
    """Every straight stretch of wire."""
    return tuple(pair for wire in layout.wires for pair in pairwise(wire))


def touches(point: Point, stretch: Stretch) -> bool:
    """Whether a point lies on a level or upright stretch, its ends included."""
    (x0, y0), (x1, y1) = stretch
    x, y = point
    return min(x0, x1) <= x <= max(x0, x1) and min(y0, y1) <= y <= max(y0, y1)


def nets(layout: Layout, stage: Stage) -> tuple[tuple[frozenset[Pin], frozenset[str]], ...]:
    """What the drawing joins.

    Returns
    -------
    tuple of (pins, names)
        One entry a net: the pins on it, and what the marks on it call it (rails, ports, test
        points, and ``0`` for ground).
    """
    parent: dict[Point | str, Point | str] = {}

    def root(item: Point | str) -> Point | str:
        parent.setdefault(item, item)
        while parent[item] != item:
            item = parent[item]
        return item

    def join(a: Point | str, b: Point | str) -> None:
        parent[root(a)] = root(b)

    on_pins = [
        ((part.name, k), point)
        for part, placement in placed(layout, stage)
        for k, point in enumerate(pins(part, placement))
    ]
    named = [(flag.name, flag.at) for flag in (*layout.rails, *layout.ports)]
    named += [(GROUND, point) for point in layout.grounds]
    probed = [(flag.name, flag.at) for flag in layout.test_points]
    for _, point in (*on_pins, *named, *probed):
        root(point)
    for name, point in named:  # marks of one name are one node wherever they stand
        join(point, name)
    lines = stretches(layout)
    for a, b in lines:
        join(a, b)
    for point in [item for item in parent if not isinstance(item, str)]:
        for stretch in lines:
            if touches(point, stretch):
                join(point, stretch[0])
    owners: dict[Point | str, tuple[set[Pin], set[str]]] = {}
    for pin, point in on_pins:
        owners.setdefault(root(point), (set(), set()))[0].add(pin)
    for name, point in (*named, *probed):
        owners.setdefault(root(point), (set(), set()))[1].add(name)
    return tuple((frozenset(on), frozenset(names)) for on, names in owners.values())


def mismatches(layout: Layout, stage: Stage) -> tuple[str, ...]:
    """What the drawing says otherwise than the stage; empty for a drawing of this very stage.

    Returns
    -------
    tuple of str
        One sentence a difference.
    """
    drawn = [name for name, _ in layout.parts]
    wrong = [f"{part.name} is not drawn" for part in stage.parts if part.name not in drawn]
    nodes = {(p.name, k): node for p in stage.parts for k, node in enumerate(p.nodes)}
    pieces: dict[str, int] = {}
    seen: set[str] = set()
    for on, names in nets(layout, stage):
        joined = {nodes[pin] for pin in on}
        seen |= names
        if not on:
            wrong.append(f"the mark {'/'.join(sorted(names))} touches no part")
        elif len(joined) > 1:
            listed = ", ".join(sorted(f"{nodes[pin]} ({pin[0]})" for pin in on))
            wrong.append(f"these are joined: {listed}")
        elif names - joined:
            wrong.append(f"{'/'.join(sorted(names))} stands on the node {joined.pop()}")
        for node in joined:
            pieces[node] = pieces.get(node, 0) + 1
    wrong += [f"the node {node} is in {n} pieces" for node, n in pieces.items() if n > 1]
    wanted = {rail.name: "rail" for rail in stage.rails}
    wanted |= {node: "test point" for node, _ in stage.test_points}
    wanted |= dict.fromkeys((stage.input, stage.output, stage.input_return), "port")
    wrong += [f"the {what} {node} has no mark" for node, what in wanted.items() if node not in seen]
    return (*wrong, *_crossed(layout, stage))


def _spine(part: Part, placement: Placement) -> Stretch:
    """The line on which a symbol lies: from end to end, or from collector to emitter."""
    at = pins(part, placement)
    return (at[0], at[1]) if len(at) == 2 else (at[0], at[-1])


def _crossed(layout: Layout, stage: Stage) -> Iterator[str]:
    """Parts that a wire or another part lies on otherwise than by its pins."""
    straight = [
        (part.name, _spine(part, placement))
        for part, placement in placed(layout, stage)
        if kind(part.kind).family not in ("opamp", "transformer")
    ]
    for k, (name, spine) in enumerate(straight):
        others = [*straight[k + 1 :], *(("a wire", s) for s in stretches(layout))]
        for other, line in others:
            x0, y0, x1, y1 = _common(spine, line)
            if x0 > x1 or y0 > y1:
                continue
            if (x0, y0) != (x1, y1) or (x0, y0) not in spine:
                yield f"{other} lies on {name} near {x0:g},{y0:g}"
            elif other != "a wire" and (x0, y0) not in line:
                yield f"{name} ends on {other} near {x0:g},{y0:g}"


def _common(a: Stretch, b: Stretch) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of what two stretches share; crossed over where nothing."""
    (ax0, ax1), (ay0, ay1) = (sorted(axis) for axis in zip(*a, strict=True))
    (bx0, bx1), (by0, by1) = (sorted(axis) for axis in zip(*b, strict=True))
    return max(ax0, bx0), max(ay0, by0), min(ax1, bx1), min(ay1, by1)


def junctions(layout: Layout, stage: Stage) -> tuple[Point, ...]:
    """Where three or more ends meet, and a dot is drawn."""
    lines = stretches(layout)
    at: dict[Point, int] = {}
    for part, placement in placed(layout, stage):
        for point in pins(part, placement):
            at[point] = at.get(point, 0) + 1
    for flag in (*layout.rails, *layout.ports):
        at[flag.at] = at.get(flag.at, 0) + 1
    for point in layout.grounds:
        at[point] = at.get(point, 0) + 1
    ends = [wire[0] for wire in layout.wires] + [wire[-1] for wire in layout.wires]
    for point in ends:
        at[point] = at.get(point, 0) + 1
    dots = []
    for point, count in at.items():
        through = sum(
            1 for a, b in lines if touches(point, (a, b)) and point not in (a, b)
        )
        corners = sum(1 for wire in layout.wires if point in wire[1:-1])
        if count + 2 * through + 2 * corners > 2:
            dots.append(point)
    return tuple(sorted(dots))

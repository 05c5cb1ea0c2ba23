"""A drawing of a stage made by itself, in the format of those that people make.

Parts are placed (`auto_place`), joined (`auto_route`), and test points find a free place on their
wires. What comes out is held against the stage like any drawing; where it does not agree, or
where there is no room, it is tried again with more room, and at last given up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from circuits.drawing import DIRECTIONS, Flag, Layout, Placement, Point
from circuits.drawing_nets import mismatches, stretches
from circuits.stage import Stage
from circuits.topology import is_supply
from diagnose.show.stage.auto_aims import field_size, heights, progress
from diagnose.show.stage.auto_place import (
    Board,
    Item,
    Spot,
    arrange,
    filled,
)
from diagnose.show.stage.auto_route import Maze, route
from diagnose.show.stage.auto_shape import (
    Shape,
    flag_boxes,
    over,
    port_shapes,
    shapes,
    shifted,
)
from diagnose.show.stage.symbols import Box

MOST_PARTS = 80
"""A stage of more parts is not tried: its drawing would be larger than any sheet."""
_SPARE = (0.5, 0.5, 0.75, 1.0, 1.5)
"""Grid steps that stay free around each part: more after each try that failed."""
_GOOD = 10
"""A drawing with a crossing for so many parts, and no more, is taken at once."""
_PARTS_IN_ALL = 110
"""Parts that are placed in all drafts together before the best of them is taken: some 5 s."""
_THIN = 0.1
"""Half of what a wire takes, grid steps."""
_PULL_PORT = 0.5
"""How strongly a port keeps to its side, a share of the distance."""
_STUB = 3
"""The longest wire that leads to a test point alone, grid steps."""


@dataclass(frozen=True)
class Made:
    """A drawing and how good it is: fewer crossings, less wire."""

    layout: Layout
    crossings: int
    length: float

    def cost(self) -> float:
        """What it is compared by: a crossing is worth some forty steps of wire."""
        return 40.0 * self.crossings + self.length


def drawn_by_itself(stage: Stage) -> Layout | None:
    """A drawing of a stage.

    Returns
    -------
    Layout or None
        None where no way was found; the same stage always gives the same.
    """
    made = drafts(stage)
    return min(made, key=lambda one: one.cost()).layout if made else None


def drafts(stage: Stage) -> list[Made]:
    """The drawings among which the best is taken; empty where none succeeds."""
    if not stage.parts or len(stage.parts) > MOST_PARTS:
        return []
    items = _items(stage)
    found: list[Made] = []
    failed = turn = 0
    while failed < len(_SPARE):
        made = _draft(stage, items, _SPARE[failed], turn)
        turn += 1
        if made is None or mismatches(made.layout, stage):
            failed += 1
        else:
            found.append(made)
            if made.crossings * _GOOD <= len(stage.parts):
                break
        if found and (turn + 1) * len(stage.parts) > _PARTS_IN_ALL:
            break
    return found


def _items(stage: Stage) -> list[Item]:
    volts, shares = heights(stage), progress(stage)
    ways = [(part.name, shapes(stage, part, volts, shares)) for part in stage.parts]
    wide, high = field_size([
        (max(b[2] for b in s[0].solid) - min(b[0] for b in s[0].solid) + 1)
        * (max(b[3] for b in s[0].solid) - min(b[1] for b in s[0].solid) + 1) for _, s in ways
    ])
    items = []
    for (name, found), part in zip(ways, stage.parts, strict=True):
        live = [node for node in part.nodes if not is_supply(stage, node)]
        across = sum(shares[n] for n in live) / len(live) if live else 1.0
        up = sum(volts[n] for n in part.nodes) / len(part.nodes)
        items.append(Item(name, found, ((across - 0.5) * wide, -0.5 * up * high)))
    touched = {node for part in stage.parts for node in part.nodes}
    for node in dict.fromkeys((stage.input, stage.output, stage.input_return)):
        if not is_supply(stage, node) and node in touched:
            side = wide * (0.6 if node == stage.output else -0.6)
            low = 5.0 if node == stage.input_return else 0.0
            items.append(Item("", port_shapes(stage, node), (side, low), _PULL_PORT))
    return items


def _draft(stage: Stage, items: Sequence[Item], spare: float, seed: int) -> Made | None:
    joined = [item for item in items if item.shapes[0].pins]
    loose = [item for item in items if not item.shapes[0].pins]
    try:
        spots = arrange(joined, spare, seed) if joined else []
        sheet = _Sheet(stage, joined, spots)
    except OverflowError:
        return None
    pins: dict[str, list[Point]] = {}
    for node, at in sheet.pins:
        pins.setdefault(node, []).append(at)
    crossings = 0
    if pins:
        maze = Maze(sheet.solid, pins, sheet.marks)
        if not route(maze):
            return None
        crossings = maze.crossings()
        for net in pins:
            sheet.wires += maze.wires(net)
            sheet.on_net[net] = [maze.point(p) for p in sorted(
                {p for e in maze.edges[net] for p in e} | set(maze.pins[net]))
                if len(maze.on.get(p, ())) < 2]
    if not sheet.probes():
        return None
    sheet.add_loose(loose)
    layout = sheet.layout()
    length = sum(abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in stretches(layout))
    return Made(layout, crossings, length)


class _Sheet:
    """A drawing in the making."""

    def __init__(self, stage: Stage, items: Sequence[Item], spots: Sequence[Spot]) -> None:
        self.stage = stage
        self.parts: list[tuple[str, Placement]] = []
        self.pins: list[tuple[str, Point]] = []
        self.solid: list[Box] = []
        self.marks: list[Point] = []
        self.wires: list[tuple[Point, ...]] = []
        self.grounds: list[Point] = []
        self.rails: list[Flag] = []
        self.ports: list[Flag] = []
        self.tests: list[Flag] = []
        self.on_net: dict[str, list[Point]] = {}
        for item, (x, y, way) in zip(items, spots, strict=True):
            self.add(item.name, item.shapes[way], float(x), float(y))

    def add(self, name: str, shape: Shape, x: float, y: float) -> None:
        """Put a part or a port down."""

        def moved(at: Point) -> Point:
            return at[0] + x, at[1] + y

        place = replace(shape.placement, at=moved(shape.placement.at))
        if name:
            self.parts.append((name, place))
        else:
            self.ports.append(Flag(shape.pins[0][0], place.at, place.along))
        self.pins += [(node, moved(at)) for node, at in shape.pins]
        self.solid += [shifted(box, x, y) for box in shape.solid]
        self.wires += [tuple(map(moved, wire)) for wire in shape.wires]
        self.grounds += list(map(moved, shape.grounds))
        self.rails += [replace(flag, at=moved(flag.at)) for flag in shape.rails]
        self.marks += [moved(at) for wire in shape.wires for at in wire]
        self.marks += [moved(at) for at in shape.grounds]
        self.marks += [moved(flag.at) for flag in shape.rails]

    def lines(self) -> list[Box]:
        """What the wires take."""
        return [_line_box(a, b) for wire in self.wires for a, b in pairwise(wire)]

    def probes(self) -> bool:
        """Mark the test points on their wires; whether there was room for all."""
        ports = (self.stage.input, self.stage.output, self.stage.input_return)
        lines = self.lines()
        for node, _ in self.stage.test_points:
            if is_supply(self.stage, node) or node in ports:
                continue
            found = self._probe(node, lines)
            if found is None:
                return False
            flag, stub = found
            self.tests.append(flag)
            if stub:
                self.wires.append(stub)
                lines.append(_line_box(*stub))
                self.solid.append(_line_box(*stub))
            self.solid += list(flag_boxes(self.stage, flag, "probe"))
        return True

    def _probe(self, node: str, lines: Sequence[Box]) -> tuple[Flag, tuple[Point, ...]] | None:
        """A free place for a mark, on the net or at the end of a short wire."""
        points = self.on_net.get(node, [])
        pins = {at for name, at in self.pins if name == node}
        halves = [((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a in points
                  for b in ((a[0] + 1, a[1]), (a[0], a[1] + 1)) if b in points]
        halves = [p for p in halves if any(_on(p, line) for line in lines)]
        places = [p for p in points if p not in pins] + halves + [p for p in points if p in pins]
        for at in places:
            for side in ("up", "down", "right", "left"):
                if self._fits(Flag(node, at, side), lines):
                    return Flag(node, at, side), ()
        for long in range(1, _STUB + 1):
            for x, y in places:
                if (x, y) in halves:
                    continue
                for dx, dy in DIRECTIONS.values():
                    end = (x + long * dx, y + long * dy)
                    stub = _line_box((x + 0.15 * dx, y + 0.15 * dy), end)
                    if any(over(stub, box) for box in (*lines, *self.solid)):
                        continue
                    for side in ("up", "down", "right", "left"):
                        if self._fits(Flag(node, end, side), [*lines, stub]):
                            return Flag(node, end, side), ((x, y), end)
        return None

    def _fits(self, flag: Flag, lines: Sequence[Box]) -> bool:
        *words, ring = flag_boxes(self.stage, flag, "probe")
        for box in words:
            if any(over(box, line) for line in lines) or any(over(box, s) for s in self.solid):
                return False
        leads = (flag.at[0] - 0.05, flag.at[1] - 0.05, flag.at[0] + 0.05, flag.at[1] + 0.05)
        return not any(over(ring, s) and not over(leads, s) for s in self.solid) and not any(
            over(ring, line) and not over(leads, line) for line in lines)

    def add_loose(self, items: Sequence[Item]) -> None:
        """Put parts between rails only where there is room, the sheet growing least."""
        for item in items:
            board = Board([item], 0.25)
            for row, bits in filled([*self.solid, *self.lines()]):
                board.rows[row] |= bits
            boxes = [*self.solid, *self.lines()] or [(0.0, 0.0, 1.0, 1.0)]
            left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
            right, bottom = max(b[2] for b in boxes), max(b[3] for b in boxes)
            shape = item.shapes[0]
            best = None
            for x in range(int(left), int(right) + 6):
                for y in range(int(top), int(bottom) + 8):
                    if board.free(0, (x, y, 0)):
                        grown = [shifted(b, x, y) for b in shape.solid]
                        wide = max(right, max(b[2] for b in grown)) - min(
                            left, min(b[0] for b in grown))
                        high = max(bottom, max(b[3] for b in grown)) - min(
                            top, min(b[1] for b in grown))
                        cost = (wide * high, abs(y - item.aim[1]) - x, x, y)
                        best = min(best or cost, cost)
            if best is None:
                raise OverflowError
            self.add(item.name, shape, float(best[2]), float(best[3]))

    def layout(self) -> Layout:
        """The drawing, moved so that it begins near the origin."""
        corner = (min(b[0] for b in self.solid), min(b[1] for b in self.solid))
        dx, dy = (-float(int(c)) for c in corner)

        def moved(at: Point) -> Point:
            return at[0] + dx, at[1] + dy

        def flags(some: Sequence[Flag]) -> tuple[Flag, ...]:
            return tuple(replace(flag, at=moved(flag.at)) for flag in some)

        places = dict(self.parts)
        return Layout(
            stage=self.stage.name,
            parts=tuple((p.name, _usual(replace(places[p.name], at=moved(places[p.name].at)),
                                        p.kind, len(p.nodes))) for p in self.stage.parts),
            wires=tuple(tuple(map(moved, wire)) for wire in self.wires),
            grounds=tuple(map(moved, self.grounds)),
            # those of one rail together, as a drawing file has them
            rails=flags([flag for name in dict.fromkeys(f.name for f in self.rails)
                         for flag in self.rails if flag.name == name]),
            ports=flags(self.ports), test_points=flags(self.tests),
        )


def _usual(placement: Placement, kind_name: str, count: int) -> Placement:
    """The placement without the words that go without saying."""
    usual = "split" if placement.along in ("left", "right") else "right"
    if count == 2 and placement.label == usual:
        return replace(placement, label="")
    return placement


def _line_box(a: Point, b: Point) -> Box:
    return (min(a[0], b[0]) - _THIN, min(a[1], b[1]) - _THIN,
            max(a[0], b[0]) + _THIN, max(a[1], b[1]) + _THIN)


def _on(at: Point, line: Box) -> bool:
    return line[0] < at[0] < line[2] and line[1] < at[1] < line[3]

"""A sheet that a drawing is put down on, part by part: what they take, their wires and their marks.

What comes of it is a drawing in the format of those that people make.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from circuits.drawing import DIRECTIONS, Flag, Layout, Placement, Point
from circuits.stage import Stage
from circuits.topology import is_supply
from diagnose.show.stage.auto_place import Board, Item, filled
from diagnose.show.stage.auto_shape import Shape, flag_boxes, over, shifted
from diagnose.show.stage.symbols import Box

_THIN = 0.1
"""Half of what a wire takes, grid steps."""
_STUB = 3
"""The longest wire that leads to a test point alone, grid steps."""


class Sheet:
    """A drawing in the making.

    Attributes
    ----------
    pins : list of (node, Point)
        What wires are to reach.
    solid : list of Box
        What is taken, grid steps.
    marks : list of Point
        Where no wire may pass.
    on_net : dict of node to list of Point
        Where each node's wires are, so that test points find a place on them.
    """

    def __init__(self, stage: Stage) -> None:
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
        return [line_box(a, b) for wire in self.wires for a, b in pairwise(wire)]

    def probes(self) -> bool:
        """Mark the test points on their wires; whether there was room for all."""
        ports = (self.stage.input, self.stage.output, self.stage.input_return)
        lines = self.lines()
        for node, _ in self.stage.test_points:
            if is_supply(self.stage, node) or node in ports:
                continue
            if not self.probe(node, lines):
                return False
        return True

    def probe(self, node: str, lines: list[Box]) -> bool:
        """Mark one test point; whether there was room. A stub is added to the lines."""
        found = self._probe(node, lines)
        if found is None:
            return False
        flag, stub = found
        self.tests.append(flag)
        if stub:
            self.wires.append(stub)
            lines.append(line_box(*stub))
            self.solid.append(line_box(*stub))
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
                    stub = line_box((x + 0.15 * dx, y + 0.15 * dy), end)
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
            parts=tuple((p.name, usual(replace(places[p.name], at=moved(places[p.name].at)),
                                       len(p.nodes))) for p in self.stage.parts),
            wires=tuple(tuple(map(moved, wire)) for wire in self.wires),
            grounds=tuple(map(moved, self.grounds)),
            # those of one rail together, as a drawing file has them
            rails=flags([flag for name in dict.fromkeys(f.name for f in self.rails)
                         for flag in self.rails if flag.name == name]),
            ports=flags(self.ports), test_points=flags(self.tests),
        )


def usual(placement: Placement, count: int) -> Placement:
    """The placement without the words that go without saying."""
    usual = "split" if placement.along in ("left", "right") else "right"
    if count == 2 and placement.label == usual:
        return replace(placement, label="")
    return placement


def line_box(a: Point, b: Point) -> Box:
    """What a straight wire takes."""
    return (min(a[0], b[0]) - _THIN, min(a[1], b[1]) - _THIN,
            max(a[0], b[0]) + _THIN, max(a[1], b[1]) + _THIN)


def _on(at: Point, line: Box) -> bool:
    return line[0] < at[0] < line[2] and line[1] < at[1] < line[3]

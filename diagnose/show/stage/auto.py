"""A drawing of a stage made by itself, in the format of those that people make.

Parts are placed (`auto_place`), joined (`auto_route`), and test points find a free place on their
wires. What comes out is held against the stage like any drawing; where it does not agree, or
where there is no room, it is tried again with more room, and at last given up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from circuits.drawing import Layout, Point
from circuits.drawing_nets import mismatches, stretches
from circuits.stage import Stage
from circuits.topology import is_supply
from diagnose.show.stage.auto_aims import field_size, heights, progress
from diagnose.show.stage.auto_place import Item, arrange
from diagnose.show.stage.auto_route import Maze, route
from diagnose.show.stage.auto_shape import port_shapes, shapes
from diagnose.show.stage.auto_sheet import Sheet

MOST_PARTS = 80
"""A stage of more parts is not tried: its drawing would be larger than any sheet."""
_SPARE = (0.5, 0.5, 0.75, 1.0, 1.5)
"""Grid steps that stay free around each part: more after each try that failed."""
_GOOD = 10
"""A drawing with a crossing for so many parts, and no more, is taken at once."""
_PARTS_IN_ALL = 110
"""Parts that are placed in all drafts together before the best of them is taken: some 5 s."""
_PULL_PORT = 0.5
"""How strongly a port keeps to its side, a share of the distance."""


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
        sheet = Sheet(stage)
        for item, (x, y, way) in zip(joined, spots, strict=True):
            sheet.add(item.name, item.shapes[way], float(x), float(y))
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

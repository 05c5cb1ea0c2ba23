"""Where a part that is new stands on a drawing whose other parts stay: near its neighbours."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from circuits.drawing import Flag, Placement, Point
from circuits.stage import Part, Stage
from diagnose.show.stage.auto_aims import heights, progress
from diagnose.show.stage.auto_place import Board, Item, filled
from diagnose.show.stage.auto_shape import Shape, port_shapes, shapes, shifted
from diagnose.show.stage.symbols import Box

_BEYOND = 10
"""Grid steps beyond what is drawn that are looked at."""
_PULL = 0.2
"""What a step from the middle costs, in steps of wire, where a part is joined to nothing yet."""
_OUTSIDE = 6.0
"""What it costs a port to stand among the parts, in grid steps of wire."""

Reach = Mapping[str, Iterable[Point]]
"""Where pins of each node are already."""


class NoPlace(Exception):
    """There is no room; who asks says what for."""


def nearest_place(
    stage: Stage, part: Part, solid: Sequence[Box], reach: Reach, spare: float
) -> Placement:
    """Where a part has the shortest ways to what it is joined to.

    Parameters
    ----------
    solid : sequence of Box
        What is taken.
    spare : float
        Grid steps that stay free around it.

    Raises
    ------
    NoPlace
        Where there is no room.
    """
    found = shapes(stage, part, heights(stage), progress(stage))
    shape, (x, y) = _nearest(found, solid, reach, spare)
    at = shape.placement.at
    return replace(shape.placement, at=(at[0] + x, at[1] + y))


def nearest_port(stage: Stage, node: str, solid: Sequence[Box], reach: Reach) -> Flag:
    """Where the mark of the input or output stands, at the edge of the drawing if it can.

    Raises
    ------
    NoPlace
        Where there is no room.
    """
    (shape,) = port_shapes(stage, node)
    edge = _bounds(solid)
    outside = (lambda x: x >= edge[2]) if shape.placement.along == "right" else (
        lambda x: x <= edge[0])
    _, at = _nearest((shape,), solid, reach, 0.0, outside)
    return Flag(node, at, shape.placement.along)


def _bounds(solid: Sequence[Box]) -> Box:
    boxes = solid or [(0.0, 0.0, 1.0, 1.0)]
    return (min(b[0] for b in boxes), min(b[1] for b in boxes),
            max(b[2] for b in boxes), max(b[3] for b in boxes))


def _nearest(
    found: Sequence[Shape], solid: Sequence[Box], reach: Reach, spare: float,
    outside: object = None,
) -> tuple[Shape, Point]:
    left, top, right, bottom = _bounds(solid)
    # a board has its origin in the middle
    cx, cy = round((left + right) / 2), round((top + bottom) / 2)
    board = Board([Item("", tuple(found), (0.0, 0.0))], spare)
    for row, bits in filled([shifted(box, -cx, -cy) for box in solid]):
        board.rows[row] |= bits
    goals = {node: list(points) for node, points in reach.items()}
    heap = []
    for way, shape in enumerate(found):
        for x in range(int(left) - _BEYOND, int(right) + _BEYOND + 1):
            for y in range(int(top) - _BEYOND, int(bottom) + _BEYOND + 1):
                cost = shape.cost + _PULL * (abs(x - cx) + abs(y - cy)) / 10.0
                for node, (px, py) in shape.pins:
                    if goals.get(node):
                        cost += min(abs(x + px - gx) + abs(y + py - gy)
                                    for gx, gy in goals[node])
                if callable(outside) and not outside(x):
                    cost += _OUTSIDE
                heap.append((cost, x, y, way))
    heapq.heapify(heap)
    while heap:
        _, x, y, way = heapq.heappop(heap)
        if board.free(0, (x - cx, y - cy, way)):
            return found[way], (float(x), float(y))
    raise NoPlace

"""Wires of a drawing of which most stay as they are: the others find their way between them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from circuits.drawing import Point
from diagnose.show.stage.auto_route import Maze, route
from diagnose.show.stage.pieces import Step
from diagnose.show.stage.symbols import Box

_FREE = 2.0
"""Grid steps around a drawing in which wires may pass."""


@dataclass(frozen=True)
class Net:
    """What is to be in one piece.

    Attributes
    ----------
    name : str
        Its own: the node, or more where ground or a rail is in several pieces.
    ends : frozenset of Point
        Pins and marks.
    steps : frozenset of Step
        Wires as they lie; nothing where they have to be laid.
    """

    name: str
    node: str
    ends: frozenset[Point]
    steps: frozenset[Step] = frozenset()


@dataclass(frozen=True)
class Laid:
    """Wires by their corners, and for each node the points on them that nothing crosses."""

    wires: tuple[tuple[Point, ...], ...]
    points: dict[str, list[Point]]


def laid(
    kept: Sequence[Net], lacking: Sequence[Net], solid: Sequence[Box], words: Sequence[Box],
    marks: Collection[Point],
) -> Laid | None:
    """The wires, those that lack laid anew.

    Where there is no way else, wires may run through the words of parts, and at last those that
    could stay are laid anew as well.

    Parameters
    ----------
    solid : sequence of Box
        What no wire passes.
    words : sequence of Box
        Those of `solid` that are only words.
    marks : collection of Point
        Where no wire may pass.

    Returns
    -------
    Laid or None
        None where there is no way.
    """
    bare = set(words)
    bodies = [box for box in solid if box not in bare]
    supplies = [net for net in kept if net.name != net.node]
    signals = [net for net in kept if net.name == net.node]
    for still, anew in ((kept, lacking), (supplies, [*signals, *lacking])):
        for boxes in (solid, bodies):
            found = _laid(still, anew, boxes, marks)
            if found is not None:
                return found
    return None


def _laid(
    kept: Sequence[Net], lacking: Sequence[Net], boxes: Sequence[Box], marks: Collection[Point]
) -> Laid | None:
    nets = [*kept, *lacking]
    if not nets:
        return Laid((), {})
    points = [at for net in nets for at in (*net.ends, *(p for step in net.steps for p in step))]
    # drawings by hand have points between those of the grid, so there the maze has twice as many
    fine = 2 if any(c != int(c) for at in (*points, *marks) for c in at) else 1

    def scaled(at: Point) -> Point:
        return at[0] * fine, at[1] * fine

    xs, ys = [at[0] for at in points], [at[1] for at in points]
    reach = (min(xs) - _FREE, min(ys) - _FREE, max(xs) + _FREE, max(ys) + _FREE)
    edges = [(min(b[0] for b in boxes) - _FREE, min(b[1] for b in boxes) - _FREE,
              max(b[2] for b in boxes) + _FREE, max(b[3] for b in boxes) + _FREE), reach]
    maze = Maze(
        [_times(box, fine) for box in boxes],
        {net.name: sorted(map(scaled, net.ends)) for net in nets},
        map(scaled, marks), [_times(box, fine) for box in edges],
    )
    for net in kept:
        maze.put(net.name, {
            (maze.number(a), maze.number(b)) for step in net.steps
            for a, b in _unit_steps(scaled(step[0]), scaled(step[1]))
        })
    if not route(maze, [net.name for net in lacking]):
        return None
    wires: list[tuple[Point, ...]] = []
    on_net: dict[str, list[Point]] = {}
    for net in nets:
        wires += [tuple((x / fine, y / fine) for x, y in wire) for wire in maze.wires(net.name)]
        free = {p for edge in maze.edges[net.name] for p in edge if len(maze.on.get(p, ())) < 2}
        at = (maze.point(p) for p in sorted(free))
        on_net.setdefault(net.node, []).extend((x / fine, y / fine) for x, y in at)
    return Laid(tuple(wires), on_net)


def _times(box: Box, fine: int) -> Box:
    return box[0] * fine, box[1] * fine, box[2] * fine, box[3] * fine


def _unit_steps(a: Point, b: Point) -> list[Step]:
    """The steps of one between two points of a level or upright line, the first the lesser."""
    long = int(abs(a[0] - b[0]) + abs(a[1] - b[1]))
    dx, dy = (1.0, 0.0) if a[1] == b[1] else (0.0, 1.0)
    return [((a[0] + k * dx, a[1] + k * dy), (a[0] + (k + 1) * dx, a[1] + (k + 1) * dy))
            for k in range(long)]

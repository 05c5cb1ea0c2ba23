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
    pieces : tuple of frozenset of Step
        Wires as they lie; all of them, or those that stay while the others are laid.
    """

    name: str
    node: str
    ends: frozenset[Point]
    pieces: tuple[frozenset[Step], ...] = ()


@dataclass(frozen=True)
class Laid:
    """Wires by their corners, those that stayed and new ones; points that nothing crosses."""

    still: tuple[tuple[Point, ...], ...]
    fresh: tuple[tuple[Point, ...], ...]
    points: dict[str, list[Point]]


def laid(
    kept: Sequence[Net], lacking: Sequence[Net], solid: Sequence[Box], words: Sequence[Box],
    marks: Collection[Point],
) -> Laid | None:
    """The wires, those that lack laid anew.

    Where there is no way else, those that could stay are laid anew as well.

    Parameters
    ----------
    solid : sequence of Box
        What no wire passes.
    words : sequence of Box
        What a wire passes only where there is no other way.
    marks : collection of Point
        Where no wire may pass.

    Returns
    -------
    Laid or None
        None where there is no way.
    """
    supplies = [net for net in kept if net.name != net.node]
    signals = [net for net in kept if net.name == net.node]
    found = _laid(kept, lacking, solid, words, marks)
    if found is None:
        anew = [Net(net.name, net.node, net.ends) for net in (*signals, *lacking)]
        found = _laid(supplies, anew, solid, words, marks)
    return found


def _laid(
    kept: Sequence[Net], lacking: Sequence[Net], boxes: Sequence[Box], words: Sequence[Box],
    marks: Collection[Point],
) -> Laid | None:
    nets = [*kept, *lacking]
    if not nets:
        return Laid((), (), {})
    points = [at for net in nets for at in net.ends]
    points += [at for net in nets for piece in net.pieces for step in piece for at in step]
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
        [_times(box, fine) for box in words],
    )
    for net in nets:
        pieces = [{
            (maze.number(a), maze.number(b)) for step in piece
            for a, b in _unit_steps(scaled(step[0]), scaled(step[1]))
        } for piece in net.pieces if piece]
        if net in kept:
            maze.put(net.name, {edge for piece in pieces for edge in piece})
        else:
            maze.begun[net.name] = pieces
    if not route(maze, [net.name for net in lacking]):
        return None
    still: list[tuple[Point, ...]] = []
    fresh: list[tuple[Point, ...]] = []
    on_net: dict[str, list[Point]] = {}
    for net in nets:
        wires = still if net in kept else fresh
        wires += [tuple((x / fine, y / fine) for x, y in wire) for wire in maze.wires(net.name)]
        free = {p for edge in maze.edges[net.name] for p in edge if len(maze.on.get(p, ())) < 2}
        at = (maze.point(p) for p in sorted(free))
        on_net.setdefault(net.node, []).extend((x / fine, y / fine) for x, y in at)
    return Laid(tuple(still), tuple(fresh), on_net)


def _times(box: Box, fine: int) -> Box:
    return box[0] * fine, box[1] * fine, box[2] * fine, box[3] * fine


def _unit_steps(a: Point, b: Point) -> list[Step]:
    """The steps of one between two points of a level or upright line, the first the lesser."""
    long = int(abs(a[0] - b[0]) + abs(a[1] - b[1]))
    dx, dy = (1.0, 0.0) if a[1] == b[1] else (0.0, 1.0)
    return [((a[0] + k * dx, a[1] + k * dy), (a[0] + (k + 1) * dx, a[1] + (k + 1) * dy))
            for k in range(long)]

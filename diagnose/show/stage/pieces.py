"""Which wires of a drawing are still right when its stage, or the place of a part, has changed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from circuits.drawing import Layout, Point
from circuits.drawing_nets import stretches, touches
from circuits.stage import GROUND

Step = tuple[Point, Point]
"""A straight stretch between two points, the lesser first."""


@dataclass(frozen=True)
class Piece:
    """Wires in one piece that join nothing but pins and marks of one node.

    Attributes
    ----------
    ends : frozenset of Point
        Pins and marks on it; a piece without steps is one pin, with or without a mark.
    steps : frozenset of Step
        Its wires between points that something touches.
    marked : bool
        Whether a rail's mark or a ground stands on it.
    """

    node: str
    ends: frozenset[Point]
    steps: frozenset[Step]
    marked: bool

    def touches(self, point: Point) -> bool:
        """Whether a point lies on it."""
        return point in self.ends or any(touches(point, step) for step in self.steps)


def broken(piece: Piece, gone: Collection[Step]) -> tuple[frozenset[Step], ...]:
    """What is left of a piece's wires without some of its steps, each part that meets an end."""
    near: dict[Point, set[Point]] = {}
    for a, b in piece.steps - set(gone):
        near.setdefault(a, set()).add(b)
        near.setdefault(b, set()).add(a)
    left = _pruned(near, set(piece.ends))
    found = []
    while left:
        meets: dict[Point, set[Point]] = {}
        for a, b in left:
            meets.setdefault(a, set()).add(b)
            meets.setdefault(b, set()).add(a)
        group = _reached(min(meets), meets)
        found.append(frozenset(step for step in left if step[0] in group))
        left -= found[-1]
    return tuple(found)


def pieces_left(layout: Layout, pins: Iterable[tuple[str, Point]]) -> tuple[Piece, ...]:
    """The pieces of a drawing's wires that can stay.

    Parameters
    ----------
    layout : Layout
    pins : iterable of (node, Point)
        Of the parts that stay where they are, by the nodes that they have now.

    Returns
    -------
    tuple of Piece
        Without what joins two nodes, without what meets no pin, and without wires that led to
        what is there no more.
    """
    pins = list(pins)
    supplies = [(flag.name, flag.at) for flag in layout.rails]
    supplies += [(GROUND, at) for at in layout.grounds]
    named: dict[Point, set[str]] = {}
    for node, at in (*pins, *supplies, *((flag.name, flag.at) for flag in layout.ports)):
        named.setdefault(at, set()).add(node)
    near = _near(layout, named)
    on_pins = {at for _, at in pins}
    found = []
    done: set[Point] = set()
    for start in near:
        if start in done:
            continue
        group = _reached(start, near)
        done |= group
        nodes = {node for at in group for node in named.get(at, ())}
        if len(nodes) != 1 or not group & on_pins:
            continue
        (node,) = nodes
        ends = {at for at in group if at in named}
        ends |= {f.at for f in layout.test_points if f.name == node and f.at in group}
        steps = _pruned({at: near[at] for at in group}, ends)
        marked = any(name == node and at in group for name, at in supplies)
        found.append(Piece(node, frozenset(ends), steps, marked))
    return tuple(found)


def trimmed(layout: Layout, pins: Iterable[Point]) -> Layout:
    """The drawing without ends of wires that lead to no pin, no mark and no other wire."""
    marks = (*layout.rails, *layout.ports, *layout.test_points)
    ends = {*pins, *layout.grounds, *(flag.at for flag in marks)}
    near = _near(layout, ends)
    left = _pruned(near, ends)
    wires: list[tuple[Point, ...]] = []
    for wire in layout.wires:
        run: list[Point] = []
        for a, b in _steps_of(wire, near):
            if (min(a, b), max(a, b)) in left:
                run = [*(run or [a]), b]
            elif run:
                wires.append(_corners(run))
                run = []
        if run:
            wires.append(_corners(run))
    return replace(layout, wires=tuple(wires))


def _steps_of(wire: tuple[Point, ...], near: Iterable[Point]) -> Iterable[Step]:
    """A wire in the order that it runs, cut at every point that anything ends on."""
    points = list(near)
    for stretch in pairwise(wire):
        on = sorted(at for at in points if touches(at, stretch))
        yield from pairwise(on if stretch[0] < stretch[1] else on[::-1])


def _corners(run: list[Point]) -> tuple[Point, ...]:
    """A run of points without those that lie straight between their neighbours."""
    bends = [b for a, b, c in zip(run, run[1:], run[2:], strict=False)
             if len({a[0], b[0], c[0]}) > 1 and len({a[1], b[1], c[1]}) > 1]
    return (run[0], *bends, run[-1])


def _near(layout: Layout, named: Iterable[Point]) -> dict[Point, set[Point]]:
    """Which points are next to each other on a wire; every point that anything ends on is one."""
    points = {at for wire in layout.wires for at in wire} | set(named)
    points |= {flag.at for flag in layout.test_points}
    near: dict[Point, set[Point]] = {at: set() for at in points}
    for stretch in stretches(layout):
        for a, b in pairwise(sorted(at for at in points if touches(at, stretch))):
            near[a].add(b)
            near[b].add(a)
    return near


def _reached(start: Point, near: Mapping[Point, set[Point]]) -> set[Point]:
    found, queue = {start}, [start]
    while queue:
        for other in near[queue.pop()] - found:
            found.add(other)
            queue.append(other)
    return found


def _pruned(near: Mapping[Point, set[Point]], ends: Collection[Point]) -> frozenset[Step]:
    """The wires without those that lead nowhere."""
    left = {at: set(others) for at, others in near.items()}
    loose = [at for at, others in left.items() if len(others) == 1 and at not in ends]
    while loose:
        at = loose.pop()
        for other in left.pop(at):
            left[other].discard(at)
            if len(left[other]) == 1 and other not in ends:
                loose.append(other)
    return frozenset((a, b) for a, others in left.items() for b in others if a < b)

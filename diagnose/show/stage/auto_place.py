"""Where the parts of a drawing made by itself stand: across by the signal, down by the volts.

A first place comes from how far each part is from input and output and how high its nodes lie
between the rails. From there parts are moved, turned and exchanged, at first boldly, then less
so (simulated annealing, Kirkpatrick, Gelatt and Vecchi 1983), so that wires become short and
straight and cross little. Rooms of two parts never overlap on the way.
"""

from __future__ import annotations

import math
import random
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from circuits.drawing import DIRECTIONS
from diagnose.show.stage.auto_shape import Shape
from diagnose.show.stage.symbols import Box

Spot = tuple[int, int, int]
"""Grid steps to the right and downwards, and which of its shapes an item has."""
End = tuple[float, float, float, float]
"""A pin: its point, and the step that leads away from its part."""
Link = tuple[float, End, End]
"""A wire to be, as a straight line from pin to pin, and what it costs."""

Line = tuple[float, float, float, float]
"""A straight line from point to point."""
Key = str | int
"""A node whose wires, or the number of an item whose body lines are."""

FIELD = 400
"""Half-steps between the edge of the field and its middle; larger than any drawing."""
_BEND = 2.0
"""What a wire that is not straight costs more, in grid steps."""
_BEHIND = 2.0
"""What it costs more at an end where it has to go around the part."""
_CROSSING = 9.0
"""What two straight lines between pins that cross cost, in grid steps."""
_DRIFT = 0.15
"""Pull to the first place, a share of the distance."""
_HOT, _COLD = 7.0, 0.25
"""Temperatures that moving begins and ends with, in grid steps."""
_MOVES = 1600
"""Moves tried for an item."""


@dataclass(frozen=True)
class Item:
    """A part or a port that is to be placed: its name, its shapes and its first place."""

    name: str
    shapes: tuple[Shape, ...]
    aim: tuple[float, float]
    pull: float = _DRIFT


def mask(shape: Shape, spare: float) -> tuple[tuple[int, int], ...]:
    """The half-steps that a shape fills: rows, and in each the columns as the bits of a number."""
    boxes = [(a - spare, b - spare, c + spare, d + spare) for a, b, c, d in shape.solid]
    boxes += [(x - 0.49, y - 0.49, x + 0.49, y + 0.49) for _, (x, y) in shape.pins]
    return filled(boxes)


def filled(boxes: Iterable[Box]) -> tuple[tuple[int, int], ...]:
    """The half-steps that boxes touch, row by row, moved to the middle of the field."""
    rows: dict[int, int] = defaultdict(int)
    for left, top, right, bottom in boxes:
        a, b = math.floor(2 * left + 1e-6), math.ceil(2 * right - 1e-6)
        bits = ((1 << max(b - a, 1)) - 1) << (a + FIELD)
        for row in range(math.floor(2 * top + 1e-6), math.ceil(2 * bottom - 1e-6)):
            rows[row + FIELD] |= bits
    return tuple(sorted(rows.items()))


class Board:
    """Items on the field, none on another; `spots` says where."""

    def __init__(self, items: Sequence[Item], spare: float) -> None:
        self.items = items
        self.masks = [[mask(s, spare) for s in item.shapes] for item in items]
        self.rows = [0] * (2 * FIELD)
        self.spots: list[Spot] = []
        self.on: dict[str, list[int]] = defaultdict(list)
        for k, item in enumerate(items):
            for node in dict.fromkeys(node for node, _ in item.shapes[0].pins):
                self.on[node].append(k)
        self.ends = [
            [[(n, px, py, *DIRECTIONS[side]) for (n, (px, py)), side in
              zip(shape.pins, shape.sides, strict=True)] for shape in item.shapes]
            for item in items
        ]
        self.nets = [sorted({n for n, _ in item.shapes[0].pins}) for item in items]

    def free(self, k: int, spot: Spot) -> bool:
        """Whether an item that is not there now could stand there."""
        x, y, way = spot
        rows, shift = self.rows, 2 * x
        if not (-90 < x < 90 and -90 < y < 90):
            return False
        return not any(rows[row + 2 * y] & (bits << shift if shift >= 0 else bits >> -shift)
                       for row, bits in self.masks[k][way])

    def flip(self, k: int, spot: Spot) -> None:
        """Put an item down, or take it up."""
        x, y, way = spot
        for row, bits in self.masks[k][way]:
            self.rows[row + 2 * y] ^= bits << 2 * x if x >= 0 else bits >> -2 * x

    def nearest(self, k: int, x: int, y: int, way: int = 0) -> Spot:
        """The free place nearest to one."""
        for ring in range(120):
            around = [(x + dx, y + dy, way) for dx in range(-ring, ring + 1)
                      for dy in ({-ring, ring} if abs(dx) < ring else range(-ring, ring + 1))]
            for spot in sorted(around, key=lambda s: (abs(s[0] - x) + abs(s[1] - y), s)):
                if self.free(k, spot):
                    return spot
        raise OverflowError  # the caller says that there is no drawing

    def row(self, k: int, upright: bool, half: bool) -> set[int]:
        """Items that straight wires hold in one row with an item, or upright in one column.

        Parameters
        ----------
        half : bool
            Only those to one side: the item, and what lies to the left or above.
        """
        found, queue = {k}, [k]
        edge = self.spots[k][upright]
        while queue:
            at = queue.pop()
            x, y, way = self.spots[at]
            for node, (px, py) in self.items[at].shapes[way].pins:
                mine = x + px if upright else y + py
                for other in self.on[node]:
                    if other in found or (half and self.spots[other][upright] > edge):
                        continue
                    ox, oy, turned = self.spots[other]
                    if any(n == node and (ox + qx if upright else oy + qy) == mine
                           for n, (qx, qy) in self.items[other].shapes[turned].pins):
                        found.add(other)
                        queue.append(other)
        return found

    def links(self, node: str) -> list[Link]:
        """The shortest tree between the pins of a node, as straight lines."""
        ends = []
        for k in self.on[node]:
            x, y, way = self.spots[k]
            ends += [(x + px, y + py, dx, dy) for n, px, py, dx, dy in self.ends[k][way]
                     if n == node]
        tree = []
        last = ends.pop(0)
        nearest = [(_apart(last, end), last, end) for end in ends]
        while nearest:
            best = min(nearest)
            nearest.remove(best)
            tree.append(best)
            last = best[2]
            nearest = [min(old, (_apart(last, old[2]), last, old[2])) for old in nearest]
        return tree

    def bodies(self, k: int) -> list[Line]:
        """The lines that the body of an item lies on."""
        x, y, way = self.spots[k]
        return [(x + a, y + b, x + c, y + d) for a, b, c, d in self.items[k].shapes[way].spines]

    def alone(self, k: int) -> float:
        """What an item costs by its place and shape."""
        x, y, way = self.spots[k]
        item = self.items[k]
        return (item.shapes[way].cost + item.pull * abs(x - item.aim[0])
                + _DRIFT * abs(y - item.aim[1]))


def _apart(a: End, b: End) -> float:
    """About what a wire between two pins costs: length, corners, and ways around the parts."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    cost = abs(dx) + abs(dy)
    if dx and dy:
        cost += _BEND
    if dx * a[2] + dy * a[3] < 0:
        cost += _BEHIND
    if dx * b[2] + dy * b[3] > 0:
        cost += _BEHIND
    return cost


def _length(links: Iterable[Link]) -> float:
    return sum(one[0] for one in links)


class Lines:
    """All wires to be, straight from pin to pin, and all bodies; how often these lines cross.

    Lines have keys (a node or an item), and each key has as many as it had at first.
    """

    def __init__(self, lines: Mapping[Key, Sequence[Line]]) -> None:
        self.columns: dict[Key, list[int]] = {}
        count = 0
        for key, own in lines.items():
            self.columns[key] = list(range(count, count + len(own)))
            count += len(own)
        # line k runs from points[:, 0, k] to points[:, 1, k], each (x, y, 1); sides[k] times a
        # point tells on which side of the line it lies
        self.points = np.ones((3, 2, count))
        self.sides = np.zeros((count, 3))
        self.put(lines)

    def put(self, lines: Mapping[Key, Sequence[Line]]) -> int:
        """Renew the lines of some keys; how often these cross any."""
        where = [k for key in lines for k in self.columns[key]]
        if not where:
            return 0
        ax, ay, bx, by = both = np.array([line for own in lines.values() for line in own]).T
        self.points[:2, 0, where], self.points[:2, 1, where] = both[:2], both[2:]
        sides = np.array([ay - by, bx - ax, ax * by - ay * bx])
        self.sides[where] = sides.T
        return self._crossings(where)

    def crossings(self, keys: Iterable[Key]) -> int:
        """How often the lines of some keys cross any."""
        return self._crossings([k for key in keys for k in self.columns[key]])

    def _crossings(self, where: list[int]) -> int:
        count, some = len(self.sides), len(where)
        mine = self.sides[where] @ self.points.reshape(3, -1)
        theirs = self.sides @ self.points[:, :, where].reshape(3, -1)
        apart = mine[:, :count] * mine[:, count:] < 0.0
        cut = theirs[:, :some] * theirs[:, some:] < 0.0
        return int(np.count_nonzero(apart & cut.T))


def _straight(links: Iterable[Link]) -> list[Line]:
    return [(a[0], a[1], b[0], b[1]) for _, a, b in links]


def arrange(items: Sequence[Item], spare: float, seed: int, effort: float = 1.0) -> list[Spot]:
    """Places for all items.

    Parameters
    ----------
    spare : float
        Grid steps that stay free around each.
    seed : int
        The same gives the same.
    effort : float
        Moves tried, over the usual number.

    Returns
    -------
    list of Spot
        In the order of the items.
    """
    board, dice = Board(items, spare), random.Random(seed)
    for k, item in enumerate(items):
        spot = board.nearest(k, round(item.aim[0]), round(item.aim[1]))
        board.spots.append(spot)
        board.flip(k, spot)
    links = {node: board.links(node) for node in board.on}
    lines = Lines({**{n: _straight(own) for n, own in links.items()},
                   **{k: board.bodies(k) for k in range(len(items))}})
    moves = int(_MOVES * effort * len(items))
    for turn in range(moves):
        share = turn / moves
        heat = _HOT * (_COLD / _HOT) ** share
        weight = _CROSSING * min(1.0, 2.0 * share)
        step = max(1.0, 9.0 * (1.0 - share) ** 1.5)
        _try(board, links, lines, _proposed(board, dice, step), heat, weight, dice)
    return board.spots


def _proposed(board: Board, dice: random.Random, step: float) -> dict[int, Spot]:
    """Items that are to be moved, and where to: one, one turned, two exchanged, or a cluster."""
    k = dice.randrange(len(board.items))
    x, y, way = board.spots[k]
    draw = dice.random()
    dx, dy = round(dice.gauss(0.0, step)), round(dice.gauss(0.0, step))
    if draw < 0.2 and len(board.items[k].shapes) > 1:
        small = 2.0
        return {k: (x + round(dice.gauss(0.0, small)), y + round(dice.gauss(0.0, small)),
                    dice.randrange(len(board.items[k].shapes)))}
    if draw < 0.35:
        # so that a pin comes to lie level with one that it is to be joined to, or above it
        node = dice.choice(board.nets[k])
        other = dice.choice(board.on[node])
        px, py = next(at for n, at in board.items[k].shapes[way].pins if n == node)
        ox, oy, turned = board.spots[other]
        qx, qy = next(at for n, at in board.items[other].shapes[turned].pins if n == node)
        if dice.random() < 0.5:
            return {k: (int(ox + qx - px), y + dice.choice((0, 0, dy)), way)}
        return {k: (x + dice.choice((0, 0, dx)), int(oy + qy - py), way)}
    if draw < 0.45:
        other = dice.randrange(len(board.items))
        ox, oy, turned = board.spots[other]
        return {k: (ox, oy, way), other: (x, y, turned)} if other != k else {}
    if draw < 0.58:
        upright = dice.random() < 0.5
        group = board.row(k, upright, dice.random() < 0.3)
        ways = {m: board.spots[m] for m in sorted(group)}
        if upright:
            return {m: (a + dx, b, w) for m, (a, b, w) in ways.items()}
        return {m: (a, b + dy, w) for m, (a, b, w) in ways.items()}
    if draw < 0.7:
        cluster = {k}
        for _ in range(dice.choice((1, 1, 2, 3, 5))):
            member = dice.choice(sorted(cluster))
            cluster |= {dice.choice(board.on[dice.choice(board.nets[member])])}
        return {m: (board.spots[m][0] + dx, board.spots[m][1] + dy, board.spots[m][2])
                for m in sorted(cluster)}
    if draw < 0.82:
        return {k: (x + dx, y, way)}
    if draw < 0.9:
        return {k: (x, y + dy, way)}
    return {k: (x + dx, y + dy, way)}


def _try(board: Board, links: dict[str, list[Link]], lines: Lines,
         wanted: Mapping[int, Spot], heat: float, weight: float, dice: random.Random) -> None:
    """Move if there is room and it is worth it."""
    before = {k: board.spots[k] for k in wanted}
    if all(before[k] == spot for k, spot in wanted.items()):
        return
    for k, spot in before.items():
        board.flip(k, spot)
    put = []
    for k, spot in wanted.items():
        if not board.free(k, spot):
            break
        board.flip(k, spot)
        put.append(k)
    if len(put) < len(wanted):
        for k in put:
            board.flip(k, wanted[k])
        for k, spot in before.items():
            board.flip(k, spot)
        return
    nodes = dict.fromkeys(node for k in wanted for node in board.nets[k])
    old = sum(board.alone(k) for k in wanted) + sum(_length(links[n]) for n in nodes)
    for k, spot in wanted.items():
        board.spots[k] = spot
    renewed = {node: board.links(node) for node in nodes}
    rise = sum(board.alone(k) for k in wanted) + sum(_length(x) for x in renewed.values()) - old
    limit = -heat * math.log(1.0 - dice.random())
    drawn_anew = False
    if rise <= limit + 3 * weight:
        crossed = lines.crossings([*nodes, *wanted])
        if rise - weight * crossed <= limit:  # else no move of these could be worth it
            now = lines.put(_lines_of(board, renewed, wanted))
            rise += weight * (now - crossed)
            drawn_anew = True
    if drawn_anew and rise <= limit:
        links.update(renewed)
        return
    for k, spot in wanted.items():
        board.flip(k, spot)
        board.spots[k] = before[k]
    for k, spot in before.items():
        board.flip(k, spot)
    if drawn_anew:
        lines.put(_lines_of(board, {node: links[node] for node in nodes}, wanted))


def _lines_of(board: Board, links: Mapping[str, Sequence[Link]],
              items: Iterable[int]) -> dict[Key, list[Line]]:
    lines: dict[Key, list[Line]] = {node: _straight(own) for node, own in links.items()}
    return lines | {k: board.bodies(k) for k in items}

"""Wires of a drawing made by itself: the cheapest way over the grid, net by net, several rounds.

Lee's maze (1961) with Dijkstra's costs: a step, a bend, a crossing. A wire crosses another only
straight, never at a corner or an end, so that nothing touches that is not to be joined.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from circuits.drawing import Point
from diagnose.show.stage.symbols import Box

_STEP, _BEND, _CROSSING = 1.0, 2.0, 12.0
"""What a step, a bend and a crossing cost."""
_WORDS = 8.0
"""What a step through words costs more, where these do not stop a wire."""
_MANY = 12
"""More goals than these are looked at as one box."""
_ROUNDS = 3
"""How often every net is laid anew while the others lie."""
_TRIES = 5
"""Orders of the nets that are tried before it is given up."""


class Maze:
    """A field of points with what is blocked, and the wires on it."""

    def __init__(self, boxes: Iterable[Box], pins: Mapping[str, Sequence[Point]],
                 marks: Iterable[Point], beyond: Iterable[Box] = (),
                 dear: Iterable[Box] = ()) -> None:
        """Boxes are what no wire passes; through `dear` ones it goes where there is no other way.

        Those `beyond` only say how far the field reaches.
        """
        boxes, dear = list(boxes), list(dear)
        field = [*boxes, *dear, *beyond]
        self.left = math.floor(min(b[0] for b in field)) - 2
        self.top = math.floor(min(b[1] for b in field)) - 2
        self.wide = math.ceil(max(b[2] for b in field)) + 3 - self.left
        self.high = math.ceil(max(b[3] for b in field)) + 3 - self.top
        self.ways = (1, self.wide, -1, -self.wide)
        size = self.wide * self.high
        # shut[d][p]: no wire leaves the point p in the direction d (right, down, left, up)
        self.shut = [bytearray(size) for _ in range(4)]
        self.dear = [bytearray(size) for _ in range(4)] if dear else None
        for box in boxes:
            self._block(box, self.shut)
        for box in dear:
            assert self.dear is not None
            self._block(box, self.dear)
        for p in range(size):
            x, y = p % self.wide, p // self.wide
            for d, edge in enumerate((x == self.wide - 1, y == self.high - 1, x == 0, y == 0)):
                self.shut[d][p] |= edge
        self.owner: dict[int, str] = {self.number(at): "" for at in marks}
        self.pins = {net: [self.number(at) for at in found] for net, found in pins.items()}
        for net, found in self.pins.items():
            self.owner |= dict.fromkeys(found, net)
        self.edges: dict[str, set[tuple[int, int]]] = {}
        # wires in pieces that a net keeps, however it is laid
        self.begun: dict[str, list[set[tuple[int, int]]]] = {}
        self.on: dict[int, dict[str, set[int]]] = defaultdict(dict)

    def number(self, at: Point) -> int:
        """The number of a point."""
        return int(at[0] - self.left + (at[1] - self.top) * self.wide)

    def point(self, p: int) -> Point:
        """The point of a number."""
        return float(p % self.wide + self.left), float(p // self.wide + self.top)

    def _block(self, box: Box, shut: list[bytearray]) -> None:
        """Shut every step that passes through the inside of a box."""
        x0, x1 = box[0] - self.left, box[2] - self.left
        y0, y1 = box[1] - self.top, box[3] - self.top
        inside = 1e-6
        for y in range(math.floor(y0) - 1, math.ceil(y1) + 2):
            for x in range(math.floor(x0) - 1, math.ceil(x1) + 2):
                p = y * self.wide + x
                in_x, in_y = x0 + inside < x < x1 - inside, y0 + inside < y < y1 - inside
                if in_y and x + 1 > x0 + inside and x < x1 - inside:
                    shut[0][p] = shut[2][p + 1] = 1
                if in_x and y + 1 > y0 + inside and y < y1 - inside:
                    shut[1][p] = shut[3][p + self.wide] = 1

    def lay(self, net: str) -> bool:
        """Join all pins of a net, beginning with the wires that it has; whether there was a way."""
        begun = self.begun.get(net, ())
        edges = {edge for some in begun for edge in some}
        pieces = [{p for edge in some for p in edge} for some in begun]
        pieces += [{p} for p in dict.fromkeys(self.pins[net])
                   if not any(p in piece for piece in pieces)]
        tree = {p for p in pieces.pop(0) if not self.on.get(p)}
        while pieces:
            goals = {p for piece in pieces for p in piece if not self.on.get(p)}
            way = self._cheapest(net, tree, goals)
            if way is None:
                return False
            met = [piece for piece in pieces if not piece.isdisjoint(way)]
            pieces = [piece for piece in pieces if piece not in met]
            tree |= {p for p in (*way, *(p for piece in met for p in piece)) if not self.on.get(p)}
            edges |= {(min(a, b), max(a, b)) for a, b in itertools.pairwise(way)}
        self.put(net, edges)
        return True

    def put(self, net: str, edges: set[tuple[int, int]]) -> None:
        """Put wires down as they are: steps from point to point, the lesser number first."""
        self.edges[net] = edges
        for a, b in edges:
            d = 0 if b - a == 1 else 1
            self.on[a].setdefault(net, set()).add(d)
            self.on[b].setdefault(net, set()).add(d + 2)

    def lift(self, net: str) -> None:
        """Take a net's wires up."""
        for edge in self.edges.pop(net, ()):
            for p in edge:
                self.on[p].pop(net, None)
                if not self.on[p]:
                    del self.on[p]

    def _cheapest(self, net: str, tree: set[int], goals: set[int]) -> list[int] | None:
        wide, owner, on, shut, ways = self.wide, self.owner, self.on, self.shut, self.ways
        dear = self.dear
        spots = [(p % wide, p // wide) for p in goals]
        left, right = min((x for x, _ in spots), default=0), max((x for x, _ in spots), default=0)
        top, low = min((y for _, y in spots), default=0), max((y for _, y in spots), default=0)

        def ahead(p: int) -> float:
            x, y = p % wide, p // wide
            if len(spots) > _MANY:  # to the box around them, which is no farther
                return max(left - x, 0, x - right) + max(top - y, 0, y - low)
            return min(abs(x - gx) + abs(y - gy) for gx, gy in spots)

        best: dict[int, float] = {}
        came: dict[int, int] = {}
        heap = []
        for p in sorted(tree):
            best[4 * p] = 0.0
            for d in range(4):
                best[4 * p + d] = 0.0
                came[4 * p + d] = -1
                heap.append((ahead(p), 0.0, 4 * p + d, True))
        heapq.heapify(heap)
        while heap:
            _, cost, state, start = heapq.heappop(heap)
            if cost > best.get(state, math.inf):
                continue
            p, d = divmod(state, 4)
            if p in goals:
                way = [p]
                while came[state] >= 0:
                    state = came[state]
                    way.append(state // 4)
                return way[::-1]
            foreign = bool(on.get(p)) and not start
            for turn in range(4):
                if shut[turn][p] or (turn - d) % 4 == 2 or (foreign and turn != d):
                    continue
                if start and turn != d:
                    continue
                q = p + ways[turn]
                if q in tree or owner.get(q, net) != net:
                    continue
                price = cost + _STEP + (_BEND if turn != d else 0.0)
                if dear is not None and dear[turn][p]:
                    price += _WORDS
                others = on.get(q)
                if others:
                    across = {turn, (turn + 2) % 4}
                    if q in goals or any(len(e) != 2 or e & across for e in others.values()):
                        continue
                    if any(abs(a - b) != 2 for a, b in (sorted(e) for e in others.values())):
                        continue
                    price += _CROSSING
                then = 4 * q + turn
                if price < best.get(then, math.inf):
                    best[then] = price
                    came[then] = state
                    heapq.heappush(heap, (price + ahead(q), price, then, False))
        return None

    def price(self, net: str) -> float:
        """What a net costs as it lies: its length, its corners and what it crosses."""
        through = 0 if self.dear is None else sum(
            self.dear[0 if b - a == 1 else 1][a] for a, b in self.edges[net])
        return (len(self.edges[net]) + _CROSSING * self._crossed(net) + _WORDS * through
                + _BEND * sum(1 for p in self._points(net) if _corner(self.on[p][net])))

    def _points(self, net: str) -> set[int]:
        return {p for edge in self.edges[net] for p in edge}

    def _crossed(self, net: str) -> int:
        return sum(len(self.on[p]) - 1 for p in self._points(net))

    def crossings(self) -> int:
        """How often wires cross."""
        return sum(len(nets) - 1 for nets in self.on.values())

    def wires(self, net: str) -> list[tuple[Point, ...]]:
        """The wires of a net as lines between corners."""
        at = {p: set(self.on[p][net]) for p in self._points(net)}
        knots = {p for p, ds in at.items() if len(ds) != 2 or self.owner.get(p) == net}
        done, found = set(), []
        for p in sorted(knots):
            for d in sorted(at[p]):
                if (p, d) in done:
                    continue
                corners, here, way = [p], p, d
                while True:
                    done.add((here, way))
                    here += self.ways[way]
                    done.add((here, (way + 2) % 4))
                    if here in knots:
                        break
                    (onward,) = at[here] - {(way + 2) % 4}
                    if onward != way:
                        corners.append(here)
                    way = onward
                found.append(tuple(self.point(c) for c in (*corners, here)))
        return found


def _corner(ways: set[int]) -> bool:
    return len(ways) == 2 and abs(min(ways) - max(ways)) != 2


def route(maze: Maze, wanted: Iterable[str] | None = None) -> bool:
    """Lay nets, all unless some are named, then each again while it gets cheaper.

    Returns
    -------
    bool
        Whether they could be laid; if not, none of them lies.
    """

    def spread(net: str) -> float:
        points = [maze.point(p) for p in maze.pins[net]]
        sides = [[point[k] for point in points] for k in (0, 1)]
        return sum(max(side) - min(side) for side in sides)

    order = sorted(maze.pins if wanted is None else wanted, key=lambda net: (spread(net), net))
    for _ in range(_TRIES):
        failed = [net for net in order if not maze.lay(net)]
        if not failed:
            break
        for net in order:
            maze.lift(net)
        order = failed + [net for net in order if net not in failed]
    else:
        return False
    for _ in range(_ROUNDS):
        better = False
        for net in sorted(order, key=lambda n: (-maze.price(n), n)):
            before, edges = maze.price(net), maze.edges[net]
            maze.lift(net)
            if not maze.lay(net):
                maze.put(net, edges)
            elif maze.price(net) > before - 1e-9:
                if maze.price(net) > before:
                    maze.lift(net)
                    maze.put(net, edges)
            else:
                better = True
        if not better:
            break
    return True

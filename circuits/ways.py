"""How far one comes from node to node along pairs that are joined.

networkx does all of this and more, and takes a fifth of a warm ranking to import; what every
ranking asks of a circuit is here, and held against it by a test.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping

Ways = Iterable[tuple[str, str]]


def onward(start: str, ways: Ways) -> set[str]:
    """Nodes that one comes to from a node along directed ways, itself among them."""
    after: dict[str, list[str]] = {}
    for a, b in ways:
        after.setdefault(a, []).append(b)
    reached, waiting = {start}, [start]
    while waiting:
        for node in after.get(waiting.pop(), ()):
            if node not in reached:
                reached.add(node)
                waiting.append(node)
    return reached


def joined(start: str, ways: Ways) -> set[str]:
    """Nodes that one comes to from a node along ways of either direction, itself among them."""
    known = list(ways)
    return onward(start, [*known, *((b, a) for a, b in known)])


def shortest(start: str, end: str, lengths: Mapping[tuple[str, str], float]) -> list[str]:
    """The shortest way from a node to another (Dijkstra 1959), empty where there is none.

    Parameters
    ----------
    lengths : mapping of (node, node) to float
        Not negative; in either direction.
    """
    after: dict[str, list[tuple[str, float]]] = {}
    for (a, b), length in lengths.items():
        after.setdefault(a, []).append((b, length))
        after.setdefault(b, []).append((a, length))
    waiting: list[tuple[float, int, str]] = [(0.0, 0, start)]
    so_far, before = {start: 0.0}, {start: start}
    order = 0
    while waiting:
        travelled, _, node = heapq.heappop(waiting)
        if node == end:
            nodes = [end]
            while nodes[-1] != start:
                nodes.append(before[nodes[-1]])
            return nodes[::-1]
        for neighbour, length in after.get(node, ()):
            there = travelled + length
            if there < so_far.get(neighbour, float("inf")):
                order += 1  # of ways as long the one that was found first
                so_far[neighbour], before[neighbour] = there, node
                heapq.heappush(waiting, (there, order, neighbour))
    return []

"""The stage as a graph: which part meets which, where direct current can go, how a signal gets on.

The graph has two sorts of vertices, ``("part", "R1")`` and ``("node", "b1")``; an edge is a pin.
networkx is imported when a graph is first asked for.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from circuits.errors import InputError
from circuits.kinds import kind
from circuits.stage import GROUND, Part, Stage
from circuits.ways import joined

if TYPE_CHECKING:
    import networkx as nx

Vertex = tuple[str, str]
"""``part`` or ``node``, and the name."""

_CONDUCTS = {
    "capacitor": (),
    "mosfet": ((0, 2),),          # the gate is insulated
    "triode": ((0, 2),),          # a healthy grid takes no current
    "pentode": ((0, 3), (1, 3)),
    "transformer": ((0, 1), (2, 3)),
    "opamp": (),                  # its output is held by the inside, see `floating`
}
"""Pairs of pins that pass direct current, by family; any two pins of the families not named."""


def is_supply(stage: Stage, node: str) -> bool:
    """Whether a node is ground or a rail, which stand still for signals."""
    return node == GROUND or any(rail.name == node for rail in stage.rails)


def graph(stage: Stage) -> nx.Graph:
    """The whole stage.

    Returns
    -------
    networkx.Graph
        Vertices are `Vertex`, in the order of the stage; an edge has ``pins``, the names of the
        part's pins on that node (two where the part has two there).
    """
    import networkx as nx

    whole = nx.Graph()
    for part in stage.parts:
        names = kind(part.kind).pins
        for k, node in enumerate(part.nodes):
            edge = (("part", part.name), ("node", node))
            before = whole.edges[edge]["pins"] if whole.has_edge(*edge) else ()
            # a control of two pins is a variable resistor: first and last of the three
            pin = names[-1] if k == len(part.nodes) - 1 and len(part.nodes) == 2 else names[k]
            whole.add_edge(*edge, pins=(*before, pin))
    return whole


def neighbours(stage: Stage, part: str) -> dict[str, tuple[str, ...]]:
    """Which other parts stand on each node of a part.

    Parameters
    ----------
    part : str
        Its name.

    Returns
    -------
    dict of node to names
        In the order of its pins and of the stage. Ground and rails are there as well.

    Raises
    ------
    InputError
        When the stage has no such part.
    """
    own = stage.part(part)
    return {
        node: tuple(p.name for p in stage.parts if node in p.nodes and p.name != own.name)
        for node in dict.fromkeys(own.nodes)
    }


def path(stage: Stage, start: str, end: str) -> tuple[str, ...]:
    """The shortest way from one node to another that passes neither ground nor a rail.

    Parameters
    ----------
    start, end : str
        Nodes.

    Returns
    -------
    tuple of str
        Node, part, node, …, node; empty where there is no way.

    Raises
    ------
    InputError
        For a node that the stage has not.
    """
    import networkx as nx

    whole = graph(stage)
    for node in (start, end):
        if ("node", node) not in whole:
            raise InputError(
                f"stage {stage.name} has no node {node!r}",
                expected="one of its nodes",
                choices=stage.nodes,
                given=node,
            )
    walls = [
        vertex
        for vertex in whole
        if vertex[0] == "node" and is_supply(stage, vertex[1]) and vertex[1] not in (start, end)
    ]
    whole.remove_nodes_from(walls)
    try:
        nodes = nx.shortest_path(whole, ("node", start), ("node", end))
    except nx.NetworkXNoPath:
        return ()
    return tuple(name for _, name in nodes)


def floating(stage: Stage) -> tuple[str, ...]:
    """Nodes that no direct current can reach from ground, a rail or the output of an op-amp.

    Such a node has no operating point: a capacitor on each side, or only insulated gates. The
    generator is a way to ground for the input, and the load for the output where there is one.

    Returns
    -------
    tuple of str
        In the order of the stage.
    """
    reached = joined(GROUND, [*from_outside(stage), *(w for p in stage.parts for w in direct(p))])
    return tuple(node for node in stage.nodes if node not in reached)


def from_outside(stage: Stage) -> Iterator[tuple[str, str]]:
    """Pairs of nodes between which what stands outside the stage passes direct current."""
    yield from ((GROUND, rail.name) for rail in stage.rails)
    yield stage.input, stage.input_return
    if stage.load > 0.0:
        yield stage.output, GROUND


def direct(part: Part) -> Iterator[tuple[str, str]]:
    """Pairs of nodes between which a part passes direct current."""
    family = kind(part.kind).family
    if family == "opamp":
        yield part.nodes[2], GROUND
        return
    count = len(part.nodes)
    every = [(a, b) for a in range(count) for b in range(a + 1, count)]
    for a, b in _CONDUCTS.get(family, every):
        yield part.nodes[a], part.nodes[b]

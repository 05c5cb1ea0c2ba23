"""Which suspects the readings taken cannot tell apart.

Two suspects belong together where the Bhattacharyya distance of their predictive densities, at
the sizes that match best, is small. Groups are the connected components of that graph;
where a chain would join unlike ends, its cliques.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.evidence import Scored
from diagnose.inference.likelihood import Array, Spread

if TYPE_CHECKING:
    import networkx as nx

NEAR = 0.5
"""Bhattacharyya distance below which two suspects are one answer: two standard deviations."""


@dataclass(frozen=True)
class Member:
    """A suspect with its probability and the number of its group, counted from 1."""

    scored: Scored
    probability: float
    group: int


def distance(a: Scored, b: Scored) -> float:
    """Bhattacharyya distance of two suspects at the sizes that match best.

    Each suspect's most probable size is held against every size of the other; the worse of the
    two matches counts, so that an open capacitor and one with a trace of capacitance left are
    alike, and an open one and a half dry one are not.

    Returns
    -------
    float
        In nats; (Δ/σ)²/8 where both have the same spread.
    """
    mean = Spread.of((_matrix(a) + _matrix(b)) / 2.0)
    logs = mean.log_determinant - (a.spread.log_determinant + b.spread.log_determinant) / 2.0
    square = max(_match(a, b, mean), _match(b, a, mean))
    return square / 8.0 + 0.5 * logs


def _match(a: Scored, b: Scored, mean: Spread) -> float:
    """Squared distance from the best size of one suspect to the nearest size of the other."""
    return float(mean.squares(a.predicted[a.best] - b.predicted).min())


def _matrix(scored: Scored) -> Array:
    return np.asarray(scored.spread.factor @ scored.spread.factor.T)


def grouped(suspects: Sequence[tuple[Scored, float]]) -> list[Member]:
    """Number the groups of suspects.

    Parameters
    ----------
    suspects : sequence of (Scored, float)
        The live ones, by falling probability.

    Returns
    -------
    list of Member
        In the same order; group 1 holds the most probable group.
    """
    edges = [
        (i, j)
        for i in range(len(suspects))
        for j in range(i)
        if distance(suspects[i][0], suspects[j][0]) < NEAR
    ]
    sets = _sets(len(suspects), edges)
    weight = [sum(suspects[i][1] for i in members) for members in sets]
    order = sorted(range(len(sets)), key=lambda k: -weight[k])
    number = {i: place + 1 for place, k in enumerate(order) for i in sets[k]}
    return [Member(s, p, number[i]) for i, (s, p) in enumerate(suspects)]


def _sets(count: int, edges: Sequence[tuple[int, int]]) -> list[set[int]]:
    """The components of the graph of near suspects, split where they are no cliques."""
    if not edges:  # what most answers end in, and networkx takes a tenth of a second to import
        return [{i} for i in range(count)]
    import networkx as nx

    near = nx.Graph()
    near.add_nodes_from(range(count))
    near.add_edges_from(edges)
    return [
        members
        for component in nx.connected_components(near)
        for members in _split(near.subgraph(component))
    ]


def _split(component: nx.Graph[int]) -> list[set[int]]:
    """A component, or its cliques (largest first, each suspect once) where it is no clique."""
    import networkx as nx

    left = set(component.nodes)
    found: list[set[int]] = []
    while left:
        cliques = nx.find_cliques(component.subgraph(left))
        best = max(cliques, key=lambda c: (len(c), -min(c)))
        found.append(set(best))
        left -= set(best)
    return found

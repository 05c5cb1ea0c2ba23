"""Suspects that are near each other are put into groups; networkx finds the same cliques."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from diagnose.inference.groups import _cliques, _sets


@pytest.mark.parametrize("seed", range(40))
def test_all_largest_cliques_are_found(seed: int) -> None:
    """Against networkx, on random graphs from sparse to nearly complete."""
    count = 1 + seed % 12
    graph = nx.gnp_random_graph(count, seed / 40.0, seed=seed)
    near = [set(graph[i]) for i in range(count)]
    found = list(_cliques(set(), set(range(count)), set(), near))
    assert sorted(map(sorted, found)) == sorted(map(sorted, nx.find_cliques(graph)))


@pytest.mark.parametrize("seed", range(40))
def test_groups_are_cliques_and_the_first_is_the_largest_there_is(seed: int) -> None:
    random = np.random.default_rng(seed)
    graph = nx.gnp_random_graph(14, float(random.uniform()), seed=seed)
    sets = _sets(14, list(graph.edges))
    assert sorted(i for one in sets for i in one) == list(range(14))
    for one in sets:
        assert graph.subgraph(one).size() == len(one) * (len(one) - 1) // 2
    assert max(map(len, sets)) == max(map(len, nx.find_cliques(graph)))


def test_a_component_that_is_a_clique_is_one_group_and_a_chain_is_split() -> None:
    # the chain 3-4-5: the pair with the more probable suspect, and the rest alone
    assert _sets(7, [(1, 0), (2, 0), (2, 1), (4, 3), (5, 4)]) == [{0, 1, 2}, {3, 4}, {5}, {6}]
    assert _sets(0, []) == []

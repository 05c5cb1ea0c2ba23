"""Ways from node to node, on random graphs against networkx."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from circuits.ways import joined, onward, shortest


@pytest.mark.parametrize("seed", range(30))
def test_what_is_reached_is_what_networkx_reaches(seed: int) -> None:
    graph = nx.gnp_random_graph(15, 0.02 + seed / 200.0, seed=seed, directed=True)
    named = nx.relabel_nodes(graph, str)
    ways = list(named.edges)
    for node in named:
        assert onward(node, ways) == {node, *nx.descendants(named, node)}
        both = nx.node_connected_component(named.to_undirected(), node)
        assert joined(node, ways) == both


@pytest.mark.parametrize("seed", range(30))
def test_the_shortest_way_is_as_short_as_that_of_networkx(seed: int) -> None:
    random = np.random.default_rng(seed)
    graph = nx.relabel_nodes(nx.gnp_random_graph(15, 0.05 + seed / 100.0, seed=seed), str)
    lengths = {pair: float(random.integers(0, 5)) for pair in graph.edges}
    nx.set_edge_attributes(graph, lengths, "length")
    for end in graph:
        found = shortest("0", end, lengths)
        if not nx.has_path(graph, "0", end):
            assert found == []
            continue
        assert found[0] == "0"
        assert found[-1] == end
        wanted = nx.dijkstra_path_length(graph, "0", end, weight="length")
        assert nx.path_weight(graph, found, "length") == wanted


def test_a_node_that_nothing_joins_reaches_itself() -> None:
    assert joined("a", []) == onward("a", [("b", "a")]) == {"a"}
    assert shortest("a", "a", {}) == ["a"]
    assert shortest("a", "b", {("b", "c"): 1.0}) == []

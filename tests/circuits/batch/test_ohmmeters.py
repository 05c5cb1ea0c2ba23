"""An ohmmeter between all pairs of nodes at once, against graph theory and against ngspice."""

from __future__ import annotations

from itertools import combinations, pairwise

import networkx as nx
import numpy as np
import pytest

from circuits.batch.answers import Count, answered
from circuits.bench.analysis import Ohmmeter, Through
from circuits.bench.engine import Engine
from circuits.bench.take import take
from circuits.circuit import Circuit, Element
from circuits.load import load_stage
from circuits.netlist import METER_OHMS, METER_VOLTS, unpowered
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import GROUND
from faultlib.catalogue import hypotheses
from faultlib.variant import Variant, unit
from tests.circuits.batch.test_against_ngspice import QUICK, STAGES


def resistances(met: Through) -> np.ndarray:
    return np.asarray(np.abs(met.volts) / np.maximum(np.abs(met.amps), METER_VOLTS / 1e9))


def asked(pairs: list[tuple[str, str]]) -> Ohmmeter:
    return Ohmmeter(tuple(pairs), METER_VOLTS, METER_OHMS)


def test_a_network_of_resistors_has_the_resistance_distance_of_its_graph() -> None:
    """Klein and Randic's distance (1993), as networkx works it out of the Laplacian."""
    random = np.random.default_rng(4)
    graph = nx.gnm_random_graph(9, 18, seed=5)
    assert nx.is_connected(graph)
    values = {edge: float(x) for edge, x in
              zip(graph.edges, 10.0 ** random.uniform(2.0, 5.0, graph.size()), strict=True)}
    nx.set_edge_attributes(graph, values, "ohms")
    names = ["0", *(f"n{k}" for k in range(1, 9))]
    net = Circuit(tuple(
        Element(f"R{k}", (names[a], names[b]), ohms) for k, ((a, b), ohms) in
        enumerate(values.items())
    ))
    pairs = list(combinations(range(9), 2))
    wanted = asked([(names[a], names[b]) for a, b in pairs])
    meant = [nx.resistance_distance(graph, a, b, weight="ohms", invert_weight=True)
             for a, b in pairs]
    (batch,) = answered([(net, (wanted,))], Count())
    assert batch is not None
    for (found,) in (batch, Engine().run(net, [wanted])):
        assert isinstance(found, Through)
        np.testing.assert_allclose(resistances(found), meant, rtol=2e-4)


def test_what_floats_is_measured_all_the_same() -> None:
    """Two resistors that nothing ties to ground, 3 and 4 kohm in series."""
    net = Circuit((Element("R1", ("a", "b"), 3e3), Element("R2", ("b", "c"), 4e3),
                   Element("Rearth", ("d", GROUND), 1e12)))
    (found,) = answered([(net, (asked([("a", "b"), ("c", "a"), ("a", "c")]),))], Count())
    assert found is not None
    assert isinstance(found[0], Through)
    np.testing.assert_allclose(resistances(found[0]), [3e3, 7e3, 7e3], rtol=2e-5)


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in STAGES
])
def test_the_batch_meets_what_ngspice_meets(name: str) -> None:
    """A good unit and six faulty ones of every stage, at all test points, within 0.1 %.

    Above 100 Mohm, where ngspice's own conductance across junctions counts, both are open.
    """
    stage = load_stage(name)
    points = [node(at) for at, _ in stage.test_points]
    pairs = [(at, GROUND) for at in points if at != GROUND]
    pairs += [pair for pair in pairwise(points) if pair[0] != pair[1]]
    wanted = asked(pairs)
    every = hypotheses(stage)
    ill = [every[int(k)] for k in np.linspace(0, len(every) - 1, 6)]
    units = [Variant(), *(Variant((one.fault(float(one.mode.grid(3)[-1])),)) for one in ill)]
    nets = [unpowered(unit(stage, one)) for one in units]
    found = answered([(net, (wanted,)) for net in nets], Count())
    for net, batch in zip(nets, found, strict=True):
        assert batch is not None
        (mine,), (meant,) = batch, Engine().run(net, [wanted])
        assert isinstance(mine, Through)
        assert isinstance(meant, Through)
        both = np.clip([resistances(mine), resistances(meant)], 0.1, 1e8)
        np.testing.assert_allclose(both[0], both[1], rtol=1e-3)


def test_a_pair_without_a_solution_is_asked_for_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """The others are not lost, and are not asked for again."""
    stage = load_stage("phono-opamp")
    readings = [Reading("resistance", between=pair) for pair in (("inp", "0"), ("o", "inn"))]
    meant = take(stage, readings)
    whole = Engine.run
    singles: list[int] = []

    def once(self: Engine, net: Circuit, analyses: list[object]) -> object:
        found = whole(self, net, analyses)  # type: ignore[arg-type]
        for one in found:
            if isinstance(one, Through):
                one.volts[1] = np.nan
            else:
                singles.append(len(analyses))
        return found

    monkeypatch.setattr(Engine, "run", once)
    np.testing.assert_allclose(take(stage, readings), meant, rtol=1e-6)
    assert singles == [1]

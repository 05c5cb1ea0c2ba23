"""A unit whose supplies moved since it was last asked rests where a fresh one does.

Sources: a diode behind a resistor, by Brent's method (scipy); ngspice, which begins at nothing;
arithmetic.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from circuits.batch import answers, rested
from circuits.batch.answers import Count, answered
from circuits.batch.bias import Rest, rest
from circuits.batch.elimination import Elimination
from circuits.batch.units import Units
from circuits.bench.analysis import Bias, OperatingPoint
from circuits.bench.engine import Engine
from circuits.bench.supply import resolved
from circuits.circuit import Circuit, Element, Model
from circuits.load import load_stage
from circuits.netlist import circuit
from circuits.spelling import node
from circuits.stage import GROUND, Stage
from faultlib.catalogue import hypotheses
from faultlib.variant import Variant, unit
from tests.circuits.batch.test_against_ngspice import size

OHMS, AMPERES, THERMAL = 1e3, 1e-14, 8.617333e-5 * 300.15
RAILS = (1.0, 0.97, 0.8, 0.3, 0.97, 1.0)
"""Of a supply, one after another: it sags, further than any does, and comes back."""


@pytest.fixture(autouse=True)
def _anew() -> None:
    answers.forget()


def rests(nets: list[Circuit], nodes: tuple[str, ...]) -> list[np.ndarray]:
    """Volts at the nodes, by the batch alone."""
    count = Count()
    found = []
    for one in answered([(net, (OperatingPoint(nodes),)) for net in nets], count):
        assert one is not None
        assert isinstance(one[0], Bias)
        found.append(one[0].nodes)
    assert count.batched == len(nets)
    return found


def behind_a_resistor(volts: float) -> Circuit:
    return Circuit(
        (Element("V1", ("in", "0"), volts), Element("R1", ("in", "a"), OHMS),
         Element("D1", ("a", "0"), text="DX")),
        (Model("DX", "D", (("IS", AMPERES),)),),
    )


def test_a_diode_behind_a_resistor() -> None:
    for volts in (5.0, 5.5, 20.0, 0.2, -3.0, 5.0):
        def left(across: float, volts: float = volts) -> float:
            return (volts - across) / OHMS - AMPERES * math.expm1(across / THERMAL)

        ((found,),) = rests([behind_a_resistor(volts)], ("a",))
        assert found == pytest.approx(brentq(left, min(volts, 0.0) - 0.1, 1.0), rel=1e-5)


def test_a_circuit_is_solved_once_and_begins_from_where_it_was(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    solved: list[tuple[int, bool]] = []

    def counted(units: Units, order: Elimination, start: Any = None) -> Rest:
        solved.append((units.count, start is not None))
        return rest(units, order, start=start)

    monkeypatch.setattr(rested, "rest", counted)
    first = rests([behind_a_resistor(5.0)], ("a",))
    again = rests([behind_a_resistor(volts) for volts in (9.0, 5.0, 7.0)], ("a",))
    assert first[0] == again[1]
    # the one that is new; then two whose source moved, and none for the one that is known
    assert solved == [(1, False), (2, True)]


def test_no_more_is_remembered_than_is_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rested, "_MOST", 10)
    for k in range(8):
        rests([behind_a_resistor(k + volts) for volts in (0.1, 0.2, 0.3)], ("a",))
    assert sum(len(one.exactly) for one in rested._KNOWN.values()) <= 10 + 3


def sagging(stage: Stage, share: float) -> Circuit:
    rails = tuple(replace(rail, volts=share * rail.volts) for rail in stage.rails)
    return circuit(replace(stage, rails=rails))


@pytest.mark.parametrize("name", ["output-complementary", "phono-two-transistor"])
def test_supplies_that_sag_and_come_back(name: str) -> None:
    stage = load_stage(name)
    places = np.linspace(0.0, 1.0, 9)
    some = hypotheses(stage)[::9]
    faults = [one.fault(size(one.mode, place)) for one, place in zip(some, places, strict=False)]
    units = [resolved(unit(stage, Variant(f))) for f in ((), *((fault,) for fault in faults))]
    nodes = tuple(dict.fromkeys(
        node(n) for part in stage.parts for n in part.nodes if n != GROUND))
    for share in RAILS:
        nets = [sagging(one, share) for one in units]
        for net, found in zip(nets, rests(nets, nodes), strict=True):
            (meant,) = Engine().run(net, (OperatingPoint(nodes),))
            assert isinstance(meant, Bias)
            allowed = np.maximum(1e-3 * np.abs(meant.nodes), 2e-4)
            assert (np.abs(found - meant.nodes) <= allowed).all(), share

"""Altering in place gives what a fresh load gives; no run leaves a trace in the next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from circuits.bench.analysis import SmallSignal, Transient
from circuits.bench.difference import differences
from circuits.bench.engine import Engine
from circuits.circuit import Element
from tests.circuits.engine_circuits import MODELS, STAGE, WANTED, changed, flat, fresh

# Whole numbers and powers of two: both of ngspice's readers of numbers take these exactly.
CHANGES = {
    "resistor": changed(STAGE, R3=2048.0),
    "capacitor": changed(STAGE, C1=2.0**-12),
    "inductor": changed(STAGE, L1=2.0),
    "rail": changed(STAGE, Vcc=24.0),
    "gain and current source": changed(STAGE, E1=3.0, I1=0.25),
    **{
        f"{model.name} {key}": replace(
            STAGE,
            models=tuple(
                replace(m, parameters=tuple((k, new if k == key else v) for k, v in m.parameters))
                if m is model
                else m
                for m in MODELS
            ),
        )
        for model, key, new in (
            (MODELS[0], "bf", 32.0),
            (MODELS[0], "rb", 2048.0),
            (MODELS[0], "vaf", 16.0),
            (MODELS[1], "rs", 256.0),
            (MODELS[2], "vto", -4.0),
            (MODELS[3], "kp", 0.5),
        )
    },
}


@pytest.mark.parametrize("name", CHANGES)
def test_altering_gives_a_fresh_load_to_the_last_bit(name):
    circuit = CHANGES[name]
    assert differences(STAGE, circuit)
    expected = flat(fresh(circuit, WANTED))
    healthy = flat(fresh(STAGE, WANTED))
    altered = flat(Engine().run(circuit, WANTED))
    back = flat(Engine().run(STAGE, WANTED))
    np.testing.assert_array_equal(altered, expected)
    np.testing.assert_array_equal(back, healthy)
    assert not np.array_equal(expected, healthy)


def test_any_number_is_altered_to_the_last_places():
    rng = np.random.default_rng(1)
    for _ in range(20):
        circuit = changed(
            STAGE, **{e.name: e.value * rng.uniform(0.9, 1.1) for e in STAGE.elements if e.value}
        )
        altered = flat(Engine().run(circuit, WANTED))
        np.testing.assert_allclose(altered, flat(fresh(circuit, WANTED)), rtol=1e-11)


def test_what_cannot_be_altered_is_loaded():
    more = replace(STAGE, elements=(*STAGE.elements, Element("R6", ("g", "0"), 1.0)))
    other_node = replace(
        STAGE, elements=(*STAGE.elements[:-1], Element("I1", ("g", "0"), 0.001953125))
    )
    for circuit in (
        more,
        other_node,
        replace(STAGE, temperature=50.0),
        replace(STAGE, options=("reltol=1e-5",)),
    ):
        assert differences(STAGE, circuit) is None
        Engine().run(STAGE, WANTED)
        np.testing.assert_array_equal(
            flat(Engine().run(circuit, WANTED)), flat(fresh(circuit, WANTED))
        )


def test_a_transient_leaves_no_trace():
    # Coupled inductors: a small-signal run after a transient of the same load is wrong in
    # ngspice 39.
    coupled = replace(
        STAGE,
        elements=(
            *STAGE.elements,
            Element("L2", ("k", "0"), 0.5),
            Element("R7", ("k", "0"), 128.0),
            Element("K1", ("L1", "L2"), 0.75),
        ),
    )
    expected = flat(fresh(coupled, WANTED))
    run = Transient(("k",), 1e-4, 1e-6, options=("method=gear", "reltol=1e-6"))
    first = Engine().run(coupled, [run])[0]
    np.testing.assert_array_equal(flat(Engine().run(coupled, WANTED)), expected)
    mixed = Engine().run(coupled, [run, *WANTED])
    np.testing.assert_array_equal(flat(mixed[1:]), expected)
    np.testing.assert_array_equal(mixed[0].nodes, first.nodes)


def test_order_and_company_of_analyses_do_not_matter():
    other = SmallSignal("I1", (1e3,), ("h", "g"), ("V1",))
    together = Engine().run(STAGE, [other, *WANTED[::-1], other])
    alone = [fresh(STAGE, [a])[0] for a in (other, *WANTED[::-1], other)]
    np.testing.assert_allclose(flat(together), flat(alone), rtol=1e-9)

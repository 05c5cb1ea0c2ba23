"""What ngspice mistakes, hides or dies of does not reach the answers."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench import ngspice
from circuits.bench.analysis import NoiseSpectrum, OperatingPoint, SmallSignal, Transient
from circuits.bench.engine import Engine
from circuits.bench.workers import Failure, Pool
from circuits.circuit import Circuit, Element, Model, parse_options
from circuits.errors import EngineFault, EngineMissing, NoSolution
from tests.circuits.engine_circuits import RC, STAGE, WANTED, changed, flat, fresh


@pytest.mark.parametrize(
    "bad",
    [
        Element("Q9", ("out", "in", "0"), text="no_such_model"),
        Element("D9", ("out", "0"), text="dm"),
        Element("B9", ("x", "0"), text="V = v(out)*("),
        Element("M9", ("out",), text="dm"),
    ],
    ids=lambda e: e.name,
)
def test_a_broken_netlist_never_shows_the_last_results(bad):
    engine = Engine()
    engine.run(RC, [OperatingPoint(("out",))])
    with pytest.raises(EngineFault, match="ngspice"):
        engine.run(replace(RC, elements=(*RC.elements, bad)), [OperatingPoint(("out",))])
    assert engine.run(RC, [OperatingPoint(("out",))])[0].nodes[0] == pytest.approx(1.0)


def test_a_misspelt_model_parameter_is_no_secret():
    circuit = Circuit(
        (*RC.elements, Element("D1", ("out", "0"), text="dx")),
        (Model("dx", "d", (("iss", 1e-12),)),),
    )
    with pytest.raises(EngineFault, match="iss"):
        Engine().run(circuit, [OperatingPoint(("out",))])


@pytest.mark.parametrize(
    "element",
    [
        Element("R9", ("a", "0"), 0.0),
        Element("R9", ("a", "0"), float("nan")),
        Element("C9", ("a", "0"), float("inf")),
        Element("R9", ("a", "0")),
        Element("X9", ("a", "0"), 1.0),
        Element("R1", ("a", "0"), 1.0),
        Element("r1", ("a", "0"), 1.0),
        Element("R9", ("a b", "0"), 1.0),
        Element("R9", ("a\n.control\nquit\n.endc", "0"), 1.0),
        Element("B9", ("a", "0"), text="V = 1\n.control\nquit\n.endc"),
        Element("B9", ("a", "0"), text="V = {1"),
        Element("B9", ("a", "0"), text="V = 1; quit"),
    ],
    ids=repr,
)
def test_what_ngspice_would_mistake_or_die_of_does_not_reach_it(element):
    with pytest.raises(EngineFault):
        Engine().run(replace(RC, elements=(*RC.elements, element)), [OperatingPoint(("out",))])


@pytest.mark.parametrize(
    "analysis",
    [
        OperatingPoint(("nowhere",)),
        OperatingPoint((), ("R1",)),
        SmallSignal("R1", (1e3,), ("out",)),
        SmallSignal("V1", (), ("out",)),
        SmallSignal("V1", (0.0, 1.0), ("out",)),
        SmallSignal("V1", (float("inf"),), ("out",)),
        SmallSignal("V1", (1e3,), ("nowhere",)),
        NoiseSpectrum("nowhere", "V1", (1e3,)),
        NoiseSpectrum("out", "V2", (1e3,)),
        Transient(("nowhere",), 1e-3, 1e-5),
        Transient(("out",), 1e-3, 1e-5, options=("cshunt=1e-12",)),
    ],
    ids=repr,
)
def test_a_request_for_what_is_not_there(analysis):
    with pytest.raises(EngineFault):
        Engine().run(RC, [analysis])
    assert Engine().run(RC, [OperatingPoint(("out",))])[0].nodes[0] == pytest.approx(1.0)


def test_options_that_outlive_their_circuit_are_refused():
    for leaking in ("interp", "cshunt=1e-12", "sqrnoise", "nonsense"):
        with pytest.raises(EngineFault, match=leaking.partition("=")[0]):
            parse_options((leaking,))


def test_no_solution_is_said_and_forgotten():
    # Kirchhoff: two ideal sources of different voltage in parallel have no solution.
    clash = replace(RC, elements=(*RC.elements, Element("V2", ("in", "0"), 2.0)))
    for analysis in (
        OperatingPoint(("in",)),
        SmallSignal("V1", (1e3,), ("in",)),
        NoiseSpectrum("in", "V1", (1e3,)),
        Transient(("in",), 1e-3, 1e-4),
    ):
        with pytest.raises(NoSolution, match="ways of solving"):
            Engine().run(clash, [analysis])
        assert Engine().run(RC, [OperatingPoint(("out",))])[0].nodes[0] == pytest.approx(1.0)


def test_division_by_zero_is_no_solution():
    circuit = replace(
        RC,
        elements=(
            *RC.elements,
            Element("B1", ("x", "0"), text="V = 1/v(y)"),
            Element("R2", ("x", "0"), 1.0),
            Element("R3", ("y", "0"), 1.0),
        ),
    )
    with pytest.raises(NoSolution):
        Engine().run(circuit, [OperatingPoint(("x",))])


def test_a_node_left_floating_by_an_open_part_still_has_an_answer():
    # No current flows into a capacitor at rest, so the output stands at the source's 1 V. ngspice
    # by itself takes the 10 µs of a transient run for it and says 0.01 V; the ladder's next rung
    # ties every node to ground by 1e12 ohm.
    circuit = replace(
        RC,
        elements=(*RC.elements, Element("C2", ("x", "y"), 1e-6), Element("C3", ("y", "0"), 1e-6)),
    )
    (bias,) = Engine().run(circuit, [OperatingPoint(("x", "out"))])
    np.testing.assert_allclose(bias.nodes, [0.0, 1.0], atol=1e-6)


def test_an_absurd_current_is_an_answer():
    # Ohm: 1 V across 1 milliohm is 1000 A.
    (bias,) = Engine().run(
        changed(replace(RC, elements=(*RC.elements, Element("R2", ("in", "0"), 1e-3)))),
        [OperatingPoint((), ("V1",))],
    )
    assert bias.branches[0] == pytest.approx(-1000.0)


def test_rung_of_the_ladder_leaves_no_trace():
    expected = flat(fresh(STAGE, WANTED))
    Engine().run(replace(STAGE, options=("rshunt=1000", "method=gear", "reltol=1e-2")), WANTED)
    np.testing.assert_array_equal(flat(Engine().run(STAGE, WANTED)), expected)


def test_types_of_vectors():
    # ngspice manual, table of vector types: what PySpice takes for voltage must be one.
    engine = Engine()
    engine.run(RC, [OperatingPoint(("out",))])
    spice = engine.simulator.ngspice
    spice.command("alter v1 acmag = 1")
    for command, kinds in {
        "op": {"out": "voltage", "v1#branch": "current"},
        "ac lin 1 1000 1000": {"frequency": "frequency", "out": "voltage", "v1#branch": "current"},
        "tran 1e-6 1e-5": {"time": "time", "out": "voltage", "v1#branch": "current"},
        "noise v(out) v1 dec 4 10 1000": {
            "noise1.frequency": "frequency",
            "noise1.onoise_spectrum": "voltage_density",
        },
    }.items():
        spice.command(command)
        assert {name: spice.kind(name) for name in kinds} == kinds
        spice.command("destroy all")
    engine.simulator.forget()


@pytest.mark.slow
def test_memory_stays_bounded():
    if not sys.platform.startswith("linux"):
        pytest.skip("reads /proc")

    def pages():
        return int(Path("/proc/self/statm").read_text().split()[1])

    def churn(count):
        for k in range(count):
            # Another option each time forces a load.
            Engine().run(replace(STAGE, options=(f"itl1={100 + k % 2}",)), WANTED)

    churn(100)
    before = pages()
    churn(300)
    # Undestroyed plots alone would take 100 kB a run, 7500 pages in all.
    assert pages() - before < 500


# -- the process -----------------------------------------------------------------------------------


def bias_of(circuit):
    return float(Engine().run(circuit, [OperatingPoint(("out",))])[0].nodes[0])


def sour(item):
    """Runs in a worker: an RC, unless the item says to spoil ngspice first."""
    if item == "quit":
        Engine().simulator.ngspice.command("quit")
    if item == "cannot recover":
        # ngspice 39 ends its service after a request for the noise of an unknown node.
        bias_of(RC)
        Engine().simulator.ngspice.command("alter v1 acmag = 1")
        Engine().simulator.ngspice.command("noise v(nowhere) v1 lin 1 10 10")
    if item == "netlist":
        return bias_of(replace(RC, elements=(*RC.elements, Element("D9", ("out", "0"), text="x"))))
    return bias_of(changed(RC, V1=float(item)))


@pytest.mark.slow
def test_a_spoilt_simulator_costs_one_item():
    items = [1, 2, "quit", 3, 4, "cannot recover", 5, "netlist", *range(6, 40)]
    with Pool(workers=2, timeout=5.0) as pool:
        outcomes = pool.map(sour, items)
    for item, outcome in zip(items, outcomes, strict=True):
        if isinstance(item, str):
            assert isinstance(outcome, Failure), item
            assert outcome.kind in ("error", "crash")
        else:
            assert outcome == pytest.approx(item)


def test_a_user_s_spiceinit_is_not_read(tmp_path, monkeypatch):
    script = (
        "from circuits.bench.engine import Engine\n"
        "from circuits.bench.analysis import OperatingPoint\n"
        "from circuits.circuit import Circuit, Element, Model\n"
        "c = Circuit((Element('V1', ('a', '0'), 3.0), Element('D1', ('a', '0'), text='dx')),"
        " (Model('dx', 'd', (('is', 1e-12), ('rs', 1000.0))),))\n"
        "print(repr(Engine().run(c, [OperatingPoint((), ('V1',))])[0].branches[0]))\n"
    )
    answers = []
    for content in ("* nothing", "option reltol=0.5\n"):
        (tmp_path / ".spiceinit").write_text(content)
        done = subprocess.run(
            [sys.executable, "-c", script],
            cwd=tmp_path,
            env=os.environ | {"HOME": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[2])},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(done.stdout)
    assert answers[0] == answers[1]


def test_a_missing_library_is_one_clear_message(monkeypatch):
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", "/nowhere/libngspice.so")
    with pytest.raises(EngineMissing, match="apt-get install libngspice0"):
        ngspice.find_library()


def test_there_is_one_engine():
    assert Engine() is Engine()

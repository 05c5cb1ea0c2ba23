"""Every shipped stage, healthy and broken, in a second simulator that shares no code with ours.

Debian's gnucap reads a deck written here from the same `Circuit`: this checks the models, the
solving and the reading of results, and the closed forms check what the circuit is.

Tolerances. The two programs round Boltzmann's constant and the electron's charge differently; that
moves a base-emitter voltage of 0.6 V by 16 µV and a collector behind high gain by up to 0.3 mV. So
1 mV of bias. gnucap does not split a collector capacitance over the base resistance (XCJC) and has
no excess phase, which shows at 20 kHz as 0.001 dB; 0.01 dB is asked for, and 0.1 degree of phase.
No fault here saturates a transistor: there half a millivolt of bias is 2 % of its conductance.
Nodes behind an open are left out: gnucap gives capacitors 1 pS, which counts behind 1 GΩ.
"""

from __future__ import annotations

import cmath
import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.analysis import Bias, OperatingPoint, Response, SmallSignal
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element
from circuits.load import load_stage, stage_names
from circuits.moving import GENERATOR
from circuits.netlist import circuit
from circuits.spelling import node
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.inject import inject

pytestmark = pytest.mark.skipif(
    shutil.which("gnucap") is None, reason="gnucap is not installed (Debian package gnucap)"
)

# test_bias_closed_forms.py solves these devices by itself.
BEYOND_GNUCAP = {
    "triode": "does not evaluate the expression of a valve",
    "pentode": "does not evaluate the expression of a valve",
    "zener": "has no breakdown in its diode, and takes BV without a word",
}

# Each case of `BROKEN` has to move the bias or the response, so that two equal healthy answers
# would not pass for agreement.
BROKEN = [
    ("phono-two-transistor", Fault("C2", "leakage", 3e6)),
    ("phono-two-transistor", Fault("Q1", "low gain", 0.05)),
    ("phono-two-transistor", Fault("Q1", "collector-base leakage", 1e6)),
    ("phono-two-transistor", Fault("C4", "open")),
    ("phono-opamp", Fault("U1", "slow", 0.003)),
    ("phono-opamp", Fault("C3", "capacitance loss", 0.02)),
    ("output-complementary", Fault("C4", "capacitance loss", 0.05)),
    ("output-complementary", Fault("R7", "drift up", 2.0)),
    ("output-complementary", Fault("Q3", "low gain", 0.1)),
]

_SUFFIX = {"K": 1e3, "Meg": 1e6, "G": 1e9, "T": 1e12,
           "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15, "a": 1e-18}


def number(word: str) -> float:
    """A number as gnucap prints it: engineering letters in place of exponents."""
    for suffix, factor in _SUFFIX.items():
        if word.endswith(suffix):
            return float(word.removesuffix(suffix)) * factor
    return float(word)


def line(element: Element) -> str:
    """An element as gnucap reads it: as SPICE does, but our sources idle and one must drive."""
    if element.name == GENERATOR:
        return f"{element.name} {' '.join(element.nodes)} dc 0 ac 1"
    return element.line()


def deck(net: Circuit, nodes: list[str], output: str) -> str:
    """Operating point of the nodes, then the response at the output, three points a decade."""
    return "\n".join(
        [
            "a stage",
            *map(line, net.elements),
            *(model.line() for model in net.models),
            ".options numdgt=9 reltol=1e-9 abstol=1e-15 vntol=1e-12 itl1=1000 gmin=1e-12",
            ".print op " + " ".join(f"v({name})" for name in nodes),
            ".op",
            f".print ac vr({output}) vi({output})",
            ".ac dec 3 20 20000",
            ".end",
            "",
        ]
    )


def by_gnucap(net: Circuit, nodes: list[str], output: str, folder: Path) -> list[list[float]]:
    """The rows of numbers that gnucap prints: one of the bias, then one a frequency."""
    path = folder / "stage.ckt"
    path.write_text(deck(net, nodes, output), encoding="ascii")
    run = subprocess.run(
        ["gnucap", "-b", str(path)], capture_output=True, text=True, check=True, timeout=60,
        stdin=subprocess.DEVNULL,
    )
    # It goes on without a line that it cannot read.
    assert "what's this" not in run.stdout + run.stderr
    lines = run.stdout.splitlines()
    start = next((i for i, text in enumerate(lines) if text.startswith("#")), None)
    assert start is not None, f"gnucap is there and does not work; .ci/need gnucap: {run.stdout}"
    return [
        [number(word) for word in text.split()]
        for text in lines[start:]
        if text.strip() and not text.startswith("#")
    ]


def compare(stage: Stage, folder: Path) -> None:
    """Bias of every node and the response at the output, by both."""
    options = ("reltol=1e-9", "abstol=1e-15", "vntol=1e-12")
    net = replace(circuit(stage), options=options)
    nodes = [node(name) for name in stage.nodes if "." not in name]
    output = node(stage.output)
    first, *rows = by_gnucap(net, nodes, output, folder)
    assert len(first) == len(nodes) + 1, "one temperature and one voltage a node"
    assert len(rows) == 10, "three points a decade and the end"

    frequencies = tuple(row[0] for row in rows)
    bias, response = Engine().run(
        net,
        [OperatingPoint(tuple(nodes)), SmallSignal(GENERATOR, frequencies, (output,))],
    )
    assert isinstance(bias, Bias)
    assert isinstance(response, Response)
    np.testing.assert_allclose(bias.nodes, first[1:], rtol=1e-4, atol=1e-3)
    for row, ours in zip(rows, response.nodes[:, 0], strict=True):
        theirs = complex(row[1], row[2])
        assert abs(20.0 * math.log10(abs(ours / theirs))) < 0.01, f"{row[0]:g} Hz"
        assert abs(math.degrees(cmath.phase(ours / theirs))) < 0.1, f"{row[0]:g} Hz"


@pytest.mark.parametrize("name", stage_names())
def test_healthy_stage(name: str, tmp_path: Path) -> None:
    stage = load_stage(name)
    for part in stage.parts:
        if part.kind in BEYOND_GNUCAP:
            pytest.skip(f"gnucap {BEYOND_GNUCAP[part.kind]}")
    compare(stage, tmp_path)


@pytest.mark.parametrize(
    ("name", "fault"), BROKEN, ids=[f"{name} {fault.label()}" for name, fault in BROKEN]
)
def test_broken_stage(name: str, fault: Fault, tmp_path: Path) -> None:
    healthy = load_stage(name)
    broken = inject(healthy, fault)
    compare(broken, tmp_path)
    assert _answers(broken) != pytest.approx(_answers(healthy), rel=0.01, abs=1e-3)


def _answers(stage: Stage) -> list[float]:
    """Bias and two gains, to see that a fault does something."""
    output = node(stage.output)
    bias, response = Engine().run(
        circuit(stage),
        [
            OperatingPoint(tuple(node(name) for name in stage.nodes if "." not in name)),
            SmallSignal(GENERATOR, (20.0, 20e3), (output,)),
        ],
    )
    assert isinstance(bias, Bias)
    assert isinstance(response, Response)
    return [*bias.nodes.tolist(), *np.abs(response.nodes[:, 0]).tolist()]

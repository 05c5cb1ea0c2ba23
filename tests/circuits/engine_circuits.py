"""Circuits that the tests of the engine share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from circuits.bench.analysis import NoiseSpectrum, OperatingPoint, SmallSignal
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element, Model

R, C = 1024.0, 2.0**-20
RC = Circuit(
    (
        Element("V1", ("in", "0"), 1.0),
        Element("R1", ("in", "out"), R),
        Element("C1", ("out", "0"), C),
    )
)
MODELS = (
    Model("qm", "npn", (("is", 1e-14), ("bf", 128.0), ("vaf", 64.0), ("rb", 100.0), ("tf", 1e-9))),
    Model("dm", "d", (("is", 1e-12), ("cjo", 1e-11), ("rs", 1.0))),
    Model("jm", "njf", (("beta", 1e-3), ("vto", -2.0))),
    Model("mm", "nmos", (("level", 1.0), ("kp", 1e-2), ("vto", 1.0))),
)
STAGE = Circuit(
    (
        Element("V1", ("in", "0"), 0.0),
        Element("Vcc", ("vcc", "0"), 12.0),
        Element("C1", ("in", "b"), 2.0**-18),
        Element("R1", ("vcc", "b"), 65536.0),
        Element("R2", ("b", "0"), 16384.0),
        Element("R3", ("vcc", "c"), 4096.0),
        Element("R4", ("e", "0"), 1024.0),
        Element("L1", ("c", "d"), 0.5),
        Element("Q1", ("c", "b", "e"), text="qm"),
        Element("D1", ("d", "f"), text="dm"),
        Element("J1", ("vcc", "d", "f"), text="jm"),
        Element("M1", ("vcc", "d", "f", "f"), text="mm"),
        Element("R5", ("f", "0"), 8192.0),
        Element("B1", ("g", "0"), text="V = v(f)*v(f) + 0.25*v(g)"),
        Element("E1", ("h", "0", "c", "0"), 2.0),
        Element("I1", ("h", "0"), 0.001953125),
    ),
    MODELS,
)
WANTED = (
    OperatingPoint(("b", "c", "d", "e", "f", "g", "h"), ("V1", "Vcc", "L1")),
    SmallSignal("V1", (16.0, 1024.0, 5000.0, 65536.0), ("c", "f", "g", "h"), ("Vcc",)),
    NoiseSpectrum("c", "V1", (10.0, 1e3)),
)


def changed(circuit, **values):
    """The circuit with other element values."""
    return replace(
        circuit,
        elements=tuple(
            replace(e, value=values[e.name]) if e.name in values else e for e in circuit.elements
        ),
    )


def flat(results):
    """All numbers of some answers in one array."""
    parts = [getattr(r, n) for r in results for n in r.__slots__]
    return np.concatenate([np.ravel(p).astype(complex) for p in parts])


def fresh(circuit, analyses):
    """The same from a load of its own."""
    engine = Engine()
    engine.run(RC, [OperatingPoint(("out",))])
    return engine.run(circuit, analyses)

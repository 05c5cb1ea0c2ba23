"""Every shipped stage through the batch and through ngspice: bias, levels and noise of its faults.

ngspice is the judge; tolerances are those that answers can bear: 0.1 % or 0.2 mV of bias, 0.01 dB
of a level (0.1 dB where it is 60 dB down) and 0.05 dB of noise. Faults have one of three sizes
here, in turn; `tests/benchmarks/batch_speed.py` compares all faults at all three.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle

import numpy as np
import pytest

from circuits.batch.answers import Count, answered
from circuits.bench.analysis import (
    Analysis,
    Bias,
    NoiseDensity,
    NoiseSpectrum,
    OperatingPoint,
    Response,
    Results,
    SmallSignal,
)
from circuits.bench.engine import Engine
from circuits.bench.supply import resolved
from circuits.circuit import Circuit
from circuits.errors import EngineError, InputError
from circuits.load import FOLDER, load_stage
from circuits.moving import GENERATOR
from circuits.netlist import PROBE, SOURCE, circuit
from circuits.spelling import node
from circuits.stage import Stage
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.mode import Mode
from faultlib.variant import Variant, unit

STAGES = sorted(path.stem for path in FOLDER.glob("*.yaml"))
QUICK = ("line-triode", "phono-two-transistor")
FELL = 0.02
"""Share of units that may go to ngspice."""
FEW = 2
"""Units that may where there are few."""
HOW = (("reltol=1e-6", "vntol=1e-9", "abstol=1e-15"), ())
"""Options of ngspice: tight ones, and the tool's. With the tool's (0.1 % a step) it stops short of
the solution, which shows where a stage is nearly out of its range. With tight ones it sometimes
finds none but with a shunt of 1 Tohm at every node, which moves what floats. The batch has to be
where one of them is."""
NOTHING = 1e-7
"""Of a level: below, nobody reads it."""


def size(mode: Mode, place: float) -> float:
    """A size of a fault, from mild (0) to worst (1)."""
    return 0.0 if mode.range is None else float(mode.range.at(np.array([place]))[0])


def circuits(stage: Stage) -> list[tuple[str, Circuit]]:
    """The good unit, and faults: all of a quick stage, else every other one."""
    places = cycle((0.0, 0.5, 1.0))
    some = hypotheses(stage)[:: 1 if stage.name in QUICK else 2]
    units = [Variant()] + [
        Variant((Fault(one.part, one.mode.name, size(one.mode, next(places))),)) for one in some
    ]
    found = []
    for one in units:
        try:
            found.append((one.label(), circuit(resolved(unit(stage, one)))))
        except (EngineError, InputError):
            continue  # a supply that does not work is simulated by itself, before any of this
    return found


def decibels(found: np.ndarray, meant: np.ndarray) -> np.ndarray:
    """How far levels are apart, in tolerances."""
    apart = 20.0 * np.log10((np.abs(found) + NOTHING) / (np.abs(meant) + NOTHING))
    return np.abs(apart) / np.where(np.abs(meant) < 1e-3, 0.1, 0.01)


def apart(found: Results, meant: Results) -> dict[str, float]:
    """How far two sets of answers are apart, in tolerances, by what was asked."""
    far: dict[str, float] = {}
    for a, b in zip(found, meant, strict=True):
        if isinstance(a, Bias) and isinstance(b, Bias):
            allowed = np.maximum(1e-3 * np.abs(b.nodes), 2e-4)
            far["bias"] = float((np.abs(a.nodes - b.nodes) / allowed).max())
        elif isinstance(a, Response) and isinstance(b, Response):
            far["level"] = max(far.get("level", 0.0), float(decibels(a.nodes, b.nodes).max()))
        elif isinstance(a, NoiseDensity) and isinstance(b, NoiseDensity):
            ratio = (a.density + 1e-13) / (b.density + 1e-13)
            far["noise"] = float(np.abs(20.0 * np.log10(ratio)).max()) / 0.05
    return far


def against(
    mine: Results, net: Circuit, asked: tuple[Analysis, ...], options: tuple[str, ...]
) -> dict[str, float]:
    """How far answers are from ngspice's with some options; nothing where it has none."""
    try:
        return apart(mine, Engine().run(replace(net, options=options), asked))
    except EngineError:
        return {}


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in STAGES
])
def test_the_batch_reads_what_ngspice_reads(name: str) -> None:
    stage = load_stage(name)
    units = circuits(stage)
    output = node(stage.output)
    good = units[0][1]
    nodes = tuple(dict.fromkeys(
        end for element in good.elements if element.name[0] not in "kK"
        for end in element.nodes if end != "0"
    ))
    asked = (
        OperatingPoint(nodes),
        SmallSignal(GENERATOR, (20.0, 1e3, 2e4), (output,)),
        SmallSignal(PROBE, (50.0, 1e3), (output,)),
        NoiseSpectrum(output, GENERATOR, (20.0, 1e3, 2e4), (SOURCE,)),
    )
    count = Count()
    found = answered([(net, asked) for _, net in units], count)
    far: list[tuple[float, str, str]] = []
    fell: list[str] = []
    for (label, net), mine in zip(units, found, strict=True):
        if mine is None:
            fell.append(label)
            continue
        judged = [far for far in (against(mine, net, asked, how) for how in HOW) if far]
        nearest = min(judged, key=lambda one: max(one.values()), default={})
        far += [(value, label, what) for what, value in nearest.items()]
    assert len(fell) <= max(FELL * len(units), FEW), (fell, count.others)
    assert max(far)[0] <= 1.0, sorted(far)[-5:]


def test_two_stages_that_are_not_one_topology_are_told_apart() -> None:
    """Where the common way of a fault's joint is another one than a part hangs on (a real case)."""
    stage = load_stage("output-mosfet")
    names = ("earth of C2", "earth of C3")
    nets = [
        circuit(unit(stage, Variant((Fault(one.part, one.mode.name, size(one.mode, 1.0)),))))
        for one in hypotheses(stage) if one.part in names
    ]
    asked = (OperatingPoint((node(stage.output),)),
             SmallSignal(PROBE, (50.0,), (node(stage.output),)))
    for net, mine in zip(nets, answered([(net, asked) for net in nets], Count()), strict=True):
        assert mine is not None
        assert max(apart(mine, Engine().run(net, asked)).values()) <= 1.0

"""The twenty netlists as stages: what the stage reads at rest and at 1 kHz is what ngspice finds.

ngspice runs the netlist as its writer wrote it; the stage that comes of it is read from the text of
its file and simulated by the bench. Sources of the simulation have gone, parts have kinds, valves
and op-amps are single parts with their subcircuit inside: the voltages must be the same. The
operating point is solved to 0.1 % by default (ngspice's manual, reltol), so 0.2 % and 1 mV are
asked for, and of gain 0.03 dB. The series resistance that electrolytics are taken to have is no
part of a netlist, and is left out here.
"""

from __future__ import annotations

import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from circuits import yamlfile
from circuits.bench.take import take
from circuits.load import from_tree
from circuits.reading import Reading
from circuits.spice.importing import Imported, imported
from circuits.stage import Stage
from tests.circuits.spice.ngspice_runs import NETLISTS, ngspice

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)"
)
_VALUE = re.compile(r"^(\S+) = (\S+?)(?:,(\S+))?$")


def stage_of(path: Path) -> tuple[Stage, Imported]:
    made = imported(path.read_text(encoding="utf-8"), path.name, path.parent)
    stage = from_tree(yamlfile.tree(made.text, f"{path.stem}.yaml"), Path())
    ideal = tuple(replace(part, esr=0.0) for part in stage.parts)
    return replace(stage, parts=ideal), made


@pytest.mark.parametrize("path", NETLISTS, ids=lambda path: path.stem)
def test_a_stage_reads_what_ngspice_finds(path: Path, tmp_path: Path) -> None:
    stage, made = stage_of(path)
    volts: dict[str, float] = {}
    signal: dict[str, complex] = {}
    for row in ngspice(path, ["op", "print all", "ac lin 1 1k 1k", "print all"], tmp_path):
        match = _VALUE.match(row)
        if match and match[3]:
            signal[match[1]] = complex(float(match[2]), float(match[3]))
        elif match:
            volts.setdefault(match[1], float(match[2]))
    before = {new: old for old, new in made.renamed}

    def listed(node: str) -> str:
        """What ngspice calls a node, for which it writes ``v(5)`` where its name is a number."""
        name = before.get(node, node)
        names = (name, f"/{name}", f"v({name})", f"V({name})")
        return next(word for word in names if word in volts)

    nodes = stage.nodes
    readings = [Reading("dc voltage", at=node, meter=math.inf) for node in nodes]
    *found, gain = take(stage, [*readings, Reading("gain", frequency=1e3)])
    for node, value in zip(nodes, found, strict=True):
        assert value == pytest.approx(volts[listed(node)], rel=2e-3, abs=1e-3), node
    expected = 20.0 * math.log10(abs(signal[listed(stage.output)]))
    assert gain == pytest.approx(expected, abs=0.03)

"""Sheets on which whole commands are timed, made as they are needed.

Each is a unit with one fault that the tool itself simulated, in its own words: they are for timing
alone, and say nothing of how right an answer is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np

from circuits.load import load_stage
from circuits.reading import Reading, from_compared
from diagnose.sheet.entry import Measured
from diagnose.sheet.given import measured_text
from diagnose.sheet.proposal import on_sheet
from faultlib.fault import Fault
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from faultlib.variant import Variant
from tests import own_circuit

TWO_CHANNELS = """\
unit: announcer-line
title: A small line stage of two channels on one supply
about: Invented, for timing.
source: common practice
supplies:
  main: {volts: 24, ripple: {100 Hz: 6 mV, 200 Hz: 2 mV}, resistance: 2}
chain:
  - {name: line, stage: line-two-transistor, rails: {vcc: main}}
instances: [left, right]
shared: [main]
signal: {input level: 100 mV}
"""
"""What a receiver's line amplifier is: both channels hang on one rail."""


@dataclass(frozen=True)
class Timed:
    """A sheet that is ranked against the clock.

    Attributes
    ----------
    name : str
    path : Path
    goal : float
        Seconds on two idle cores, from nothing.
    """

    name: str
    path: Path
    goal: float


def sheets(folder: Path, examples: Path) -> list[Timed]:
    """The sheets that the goals speak of, written to a folder."""
    return [
        Timed("phono", examples / "hall-record-hum.yaml", 1.0),
        Timed("output, distortion at two levels", _output(folder), 5.0),
        Timed("receiver chain, 40 readings", _chain(folder), 20.0),
        Timed("own stage of 46 parts, 30 readings", _own(folder), 12.0),
        Timed("two channels, 18 readings", _two(folder), 15.0),
    ]


def _volts(names: Sequence[str]) -> list[Reading]:
    return [Reading("dc voltage", at=name) for name in names]


def _curve() -> list[Reading]:
    return [Reading("response", frequency=f, reference=1e3) for f in (20.0, 100.0, 1e4, 2e4)]


def _output(folder: Path) -> Path:
    readings = [
        *_volts(("b1", "b2", "c1", "bs", "o", "vcc", "vee")), Reading("gain", frequency=1e3),
        *_curve(), Reading("damping factor", frequency=1e3, load=8.0),
        *(Reading("hum", frequency=f) for f in (50.0, 100.0)), Reading("noise"),
        *(Reading("thd", frequency=1e3, level=("output level", volts)) for volts in (1.0, 10.0)),
    ]
    return _written(folder, "output-complementary", readings, [Fault("R5", "drift up", 1.5)])


def _chain(folder: Path) -> Path:
    with Laboratory(Memory(), workers=0) as bench:
        asked = [r for r, _ in on_sheet(load_stage("receiver-chain"), bench)]
    gains = [r for r in asked if r.quantity == "gain"]
    volts = [r for r in asked if r.quantity == "dc voltage"]
    rest = [*gains, *_curve(), *(Reading("hum", frequency=f) for f in (50.0, 100.0)),
            Reading("noise", weighting="A")]
    return _written(folder, "receiver-chain", [*rest, *volts[:40 - len(rest)]],
                    [Fault("line.C3", "open", 0.0)])


def _own(folder: Path) -> Path:
    readings = [
        *_volts(own_circuit.POINTS),
        *(Reading("dc voltage", at=a, origin=b) for a, b in own_circuit.DROPS),
        Reading("gain", frequency=1e3),
        *(Reading("response", frequency=f, reference=1e3) for f in own_circuit.RESPONSE),
        Reading("hum", frequency=100.0),
        *(Reading("thd", frequency=f, level=("output level", 5.0)) for f in (1e3, 1e4)),
    ]
    return _written(folder, str(own_circuit.STAGE), readings, [Fault("R18", "drift up", 1.5)])


def _two(folder: Path) -> Path:
    unit = folder / "announcer-line.yaml"
    unit.write_text(TWO_CHANNELS, encoding="utf-8")
    readings = [
        *_volts(("main", "line.b1", "line.c1", "line.e2", "line.c2")),
        Reading("gain", frequency=1e3), *_curve(), Reading("output impedance", frequency=1e3),
        *(Reading("hum", frequency=f) for f in (50.0, 100.0)), Reading("noise", weighting="A"),
        *(Reading("crosstalk", frequency=f) for f in (1e2, 1e3)),
        Reading("imd", tones=(19e3, 20e3), level=("output level", 1.0)),
        Reading("many-tone floor", level=("output level", 1.0)),
    ]
    return _written(folder, str(unit), readings, [Fault("line.C3", "open", 0.0)])


def grown(folder: Path, many: int) -> tuple[Path, Path]:
    """A sheet of so many line amplifiers in a row on one rail, and the file of that unit."""
    unit = folder / f"row-of-{many}.yaml"
    chain = [f"  - {{name: n{k}, stage: line-two-transistor, rails: {{vcc: main}}}}"
             for k in range(many)]
    unit.write_text("\n".join([
        f"unit: row-of-{many}", "title: Line amplifiers in a row, for timing",
        "about: Invented, for timing.", "source: common practice", "supplies:",
        "  main: {volts: 24, ripple: {100 Hz: 6 mV}, resistance: 2}", "chain:", *chain,
        "signal: {input level: 1 mV}", ""]), encoding="utf-8")
    readings = [
        *_volts(["main", *(f"n{k}.{node}" for k in range(many) for node in ("c1", "c2"))]),
        Reading("gain", frequency=1e3), *_curve(), Reading("hum", frequency=100.0),
        Reading("noise", weighting="A"),
    ]
    return _written(folder, str(unit), readings, [Fault(f"n{many // 2}.C3", "open", 0.0)]), unit


def _written(
    folder: Path, stage: str, readings: Sequence[Reading], faults: Sequence[Fault]
) -> Path:
    """A sheet with the readings of a unit that has these faults."""
    made = load_stage(stage)
    with Laboratory(Memory(), workers=0) as bench:
        row = bench.values(made, [Variant(tuple(faults))], readings).values[0]
    if np.isnan(row).any():
        lacking = [r.label() for r, x in zip(readings, row, strict=True) if np.isnan(x)]
        raise ValueError(f"{stage}: no value of {', '.join(lacking)}")
    path = folder / f"{Path(stage).stem}-sheet.yaml"
    entries = [measured_text(Measured(r, from_compared(r, float(x))))
               for r, x in zip(readings, row, strict=True)]
    head = [f"case: invented, for timing ({len(readings)} readings)", f"stage: {stage}",
            "readings:"]
    path.write_text("\n".join(chain(head, (f"  - {e}" for e in entries), [""])), encoding="utf-8")
    return path

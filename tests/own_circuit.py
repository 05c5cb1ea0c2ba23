"""Faulty units of the circuit in `examples/own-circuit`, simulated by plain ngspice, as sheets.

A unit is the text of the netlist with one line changed by hand, with other values within tolerance
and other current gains, so that none fits its stage file. Nothing of this project has a part in
what it reads: `tests/plain_ngspice.py` starts the simulator on that text.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass
from pathlib import Path

from tests import plain_ngspice

FOLDER = Path(__file__).resolve().parents[1] / "examples" / "own-circuit"
NETLIST = FOLDER / "platform-announcer.cir"
STAGE = FOLDER / "platform-announcer.yaml"
POINTS = ("b1", "fb", "t", "vl", "vu", "d1", "d2", "o", "vcc", "vee")
DROPS = (("vcc", "m1"), ("vcc", "m2"), ("vcc", "e6"), ("e5", "vee"), ("e7", "vee"), ("p1", "o"),
         ("o", "p2"), ("bs", "vee"), ("ds", "vee"), ("vb", "vl"), ("d1", "d2"))
RESPONSE = (20.0, 50.0, 200.0, 10e3, 20e3)
METER = 0.005
"""Relative error of a service meter's reading, about what a cheap digital one has."""
SUPPLY = 0.8
"""Ohm that the winding, rectifier and reservoir of the unit have; those of its stage file."""
TRACK = 220.0
"""Ohm of the whole trimmer."""
IDLE = 15.8e-3
"""V across R14 at the idle current of the netlist as it is drawn."""
SPREAD = {"R": 0.015, "C": 0.06, "BF": 0.15}
"""Standard deviation of ln value of parts and current gains of good units (invented)."""


@dataclass(frozen=True)
class Fault:
    """What was done to a unit.

    Attributes
    ----------
    lines : tuple of str
        What stands in place of the part's line.
    """

    name: str
    part: str
    lines: tuple[str, ...]


FAULTS = (
    Fault("mirror resistor open", "R6", ("R6 vcc m2 50meg",)),
    Fault("tail resistor drifted up", "R8", ("R8 e5 vee 470",)),
    Fault("feedback resistor drifted up", "R18", ("R18 o fb 33k",)),
    Fault("feedback capacitor open", "C7", ("C7 f 0 20p",)),
    Fault("input capacitor dried out", "C1", ("C1 in a 90n",)),
    Fault("lower bias diode shorted", "D2", ("Rd ds vee 0.4",)),
    Fault("base of the lower driver open", "Q10", ("Q10 vee nb d2 DRVP", "Rx vl nb 200meg")),
    Fault("resistor of the current source shorted", "R9", ("R9 e7 vee 0.5",)),
    Fault("emitter resistor of the upper output transistor open", "R14", ("R14 p1 o 1meg",)),
    Fault("collector and emitter of the bias transistor shorted", "Q8",
          ("Q8 vu vb vl SIGN", "Rx vu vl 1")),
)


def unit(fault: Fault | None, seed: int, wiper: float = TRACK / 2.0) -> str:
    """The netlist of a unit with a fault, or a good one: other values, its supply and generator."""
    luck = random.Random(seed)
    halves = {"RV1a": f"RV1a wt vb {TRACK - wiper!r}", "RV1b": f"RV1b vb wb {wiper!r}"}
    rows: list[str] = []
    for row in NETLIST.read_text(encoding="utf-8").splitlines():
        word = row.split(" ")[0]
        if fault is not None and word == fault.part:
            rows += fault.lines
        elif word in halves:
            rows.append(halves[word])
        elif row.startswith(("R", "C")) and not word.startswith("RL"):
            many = luck.lognormvariate(0.0, SPREAD[row[0]])
            *before, value = row.split()
            rows += [" ".join([*before, f"{{({value.strip('{}')})*{many:.5f}}}"])]
        elif row.startswith(("V1", "V2", "Vin")):
            rows += {"V1": ["V1 vx 0 DC {rails}", f"Rvx vx vcc {SUPPLY}"],
                     "V2": ["V2 0 vy DC {rails}", f"Rvy vy vee {SUPPLY}"],
                     "Vin": ["Vin g 0 DC 0 AC 1", "Rg g in 50"]}[word]
        elif row.startswith((".op", ".ac")):
            continue
        else:
            rows.append(re.sub(r"BF=(\d+)", lambda found: "BF={:.1f}".format(
                float(found[1]) * luck.lognormvariate(0.0, SPREAD["BF"])), row))
    return "\n".join([*rows, ""])


def wiper_set(seed: int, folder: Path) -> float:
    """Ohm below the wiper of the trimmer, set on the good unit for the idle current of the drawing.

    A person sets it within 10 % or so; more below the wiper is less current.
    """
    aim = IDLE * random.Random(seed + 2).gauss(1.0, 0.1)
    low, high = 1.0, TRACK - 1.0
    for _ in range(8):
        middle = (low + high) / 2.0
        volts = plain_ngspice.values(unit(None, seed, middle), ["op", "print v(p1)-v(o)"], folder)
        low, high = (middle, high) if volts["v(p1)-v(o)"] > aim else (low, middle)
    return (low + high) / 2.0


def sheet(fault: Fault | None, seed: int, folder: Path) -> str:
    """What a service person would read of the unit, as the text of a sheet."""
    text = unit(fault, seed, wiper_set(seed, folder))
    luck = random.Random(seed + 1)
    asked = [*(f"print v({node})" for node in POINTS),
             *(f"print v({a})-v({b})" for a, b in DROPS)]
    volts = plain_ngspice.values(text, ["op", *asked], folder)
    gains = plain_ngspice.decibels(text, "out", (1e3, *RESPONSE), folder)
    lines = [f"case: {fault.name if fault else 'good unit'}", f"stage: {STAGE}", "readings:"]

    def volt(word: str) -> str:
        shown = volts[word] * luck.gauss(1.0, METER)
        return f"{1e3 * shown:.1f} mV" if abs(shown) < 2.0 else f"{shown:.2f} V"

    lines += [f"  - {{quantity: dc voltage, at: {node}, value: {volt(f'v({node})')}}}"
              for node in POINTS]
    lines += [f"  - {{quantity: dc voltage, at: {a}, from: {b}, value: {volt(f'v({a})-v({b})')}}}"
              for a, b in DROPS]
    lines.append(f"  - {{quantity: gain, frequency: 1 kHz, value: {gains[1e3]:.1f} dB}}")
    lines += [f"  - {{quantity: response, frequency: {f:g} Hz, reference: 1 kHz,"
              f" value: {gains[f] - gains[1e3]:.1f} dB}}" for f in RESPONSE]
    return "\n".join([*lines, ""])

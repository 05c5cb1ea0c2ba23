"""Readings in other states than as drawn find what they alone can find.

The units are plain netlists written by hand (``data/*.cir``), with devices and values of their own,
and solved by Debian's ngspice as a program: nothing of this project makes their figures, which are
invented. What is wrong in them is known, since it was left out or put in there.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.sheet.case import load_case
from faultlib.fault import Fault
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from faultlib.variant import Variant

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("ngspice") is None,
                       reason="ngspice is not installed (Debian package ngspice)"),
]

DATA = Path(__file__).with_name("data")


def volts(name: str, more: str = "") -> dict[str, float]:
    """Voltages of a netlist at rest, by node; `more` is elements that are added to it."""
    text = (DATA / f"{name}.cir").read_text(encoding="ascii").replace("* MORE", more)
    run = subprocess.run(["ngspice", "-b", "/dev/stdin"], input=text, capture_output=True,
                         text=True, check=False, timeout=60)
    found = re.findall(r"^v\((\w+)\) = (\S+)$", run.stdout, re.MULTILINE)
    assert found, run.stdout + run.stderr
    return {node: float(value) for node, value in found}


def lines(found: dict[str, float], nodes: str, state: str = "") -> list[str]:
    """Readings of a sheet, as a meter of three and a half digits shows them."""
    words = f", state: {{{state}}}" if state else ""
    return [f"  - {{quantity: dc voltage, at: {node}{words}, value: {_shown(found[node])}}}"
            for node in nodes.split()]


def _shown(value: float) -> str:
    step = 0.1 if abs(value) >= 20.0 else 0.01 if abs(value) >= 2.0 else 0.001
    return f"{round(value / step) * step:.3f} V"


def ranked(folder: Path, stage: str, readings: list[str], head: str = "") -> Result:
    path = folder / "case.yaml"
    path.write_text("\n".join([f"stage: {stage}", head, "readings:", *readings, ""]),
                    encoding="utf-8")
    with Laboratory(Memory()) as bench:
        return rank(load_case(path), bench)


def share(result: Result, part: str) -> float:
    return sum(s.probability for s in result.suspects if s.part == part)


def test_a_dead_tail_comes_out_with_the_loudspeaker_off(tmp_path: Path) -> None:
    """As the cautions ask for it; with the load in place the same fault reads otherwise."""
    found = volts("output-complementary-dead-tail")
    readings = lines(found, "o b2 c1 td bs b5 e5 vcc vee")
    off = ranked(tmp_path, "output-complementary", readings, "load: open")
    assert "R6 open" in off.groups[0].members
    assert off.groups[0].probability > 0.8
    assert off.healthy < 0.01
    assert off.unmodelled < 0.1
    # it hangs on the state: with the load in place the same fault pulls the output down by volts
    with Laboratory(Memory(), workers=0) as bench:
        dead = [Variant((Fault("R6", "open"),))]
        loaded = bench.values(load_stage("output-complementary"), dead,
                              [Reading("dc voltage", at="o")]).values[0, 0]
    assert loaded < found["o"] - 10.0


def test_a_leaky_capacitor_is_told_by_lifting_it(tmp_path: Path) -> None:
    """With it lifted the voltages come back, which nothing else would have brought about."""
    ill = volts("phono-leaky-feedback", "RLEAK c2 fb 60k")
    well = volts("phono-leaky-feedback")
    assert abs(ill["c2"] - well["c2"]) > 1.0
    plain = lines(ill, "c1 e1 c2 e2")
    lifted = lines(well, "c1 e1 c2 e2", "lifted: [C6.positive]")
    before = ranked(tmp_path, "phono-two-transistor", plain)
    after = ranked(tmp_path, "phono-two-transistor", [*plain, *lifted])
    assert after.suspects[0].part == "C6"
    assert share(after, "C6") > 0.9
    assert share(after, "C6") > share(before, "C6") + 0.1
    # where lifting it changes nothing it does not leak; that it is open shows in no voltage
    same = lines(ill, "c1 e1 c2 e2", "lifted: [C6.positive]")
    other = ranked(tmp_path, "phono-two-transistor", [*plain, *same])
    assert not {"C6 leakage", "C6 short"} & {s.name for s in other.suspects if s.probability > 0.01}

"""Stages as netlists: what plain ngspice finds in them, and that they come in again as they were.

ngspice as a program of its own runs the text that is written; the bench simulates the stage. The
operating point is solved to 0.1 % by default (ngspice's manual, reltol): 0.2 % and 1 mV.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import diagnose
from circuits.bench.engine import Engine
from circuits.bench.loaded import fed_as, loaded
from circuits.bench.mains import HUM_FLOOR
from circuits.bench.steps import alone
from circuits.bench.take import take
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.load import load_stage, stage_names, unit_names
from circuits.quantity import parse
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import Stage
from faultlib.catalogue import mode_for, size_from
from faultlib.fault import Fault
from faultlib.inject import inject

NGSPICE = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)"
)
ALL = (*stage_names(), *unit_names())
_VALUE = re.compile(r"^(\S+) = (\S+?)(?:,(\S+))?$")


def run(text: str, folder: Path, *commands: str) -> tuple[dict[str, float], dict[str, complex]]:
    """Real and complex values that ngspice prints for commands on a netlist."""
    control = "\n".join([".control", "set numdgt=12", *commands, ".endc", ".end", ""])
    path = folder / "exported.cir"
    path.write_text(text.removesuffix(".end\n") + control, encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", path.name], cwd=folder, capture_output=True, text=True,
                          timeout=120)
    real: dict[str, float] = {}
    waves: dict[str, complex] = {}
    for row in done.stdout.splitlines():
        match = _VALUE.match(row)
        if match and match[3]:
            waves.setdefault(match[1], complex(float(match[2]), float(match[3])))
        elif match:
            real.setdefault(match[1], float(match[2]))
    return real, waves


def held(stage: Stage, text: str, folder: Path) -> None:
    """Voltages at rest and the gain at 1 kHz: ngspice on the text, the bench on the stage."""
    volts, signal = run(text, folder, "op", "print all", "ac lin 1 1k 1k", "print all")
    readings = [Reading("dc voltage", at=name, meter=math.inf) for name in stage.nodes]
    *found, gain = take(stage, [*readings, Reading("gain", frequency=1e3)])
    for name, value in zip(stage.nodes, found, strict=True):
        assert value == pytest.approx(volts[node(name)], rel=2e-3, abs=1e-3), name
    expected = 20.0 * math.log10(abs(signal[node(stage.output)]))
    assert gain == pytest.approx(expected, abs=0.03)


@NGSPICE
@pytest.mark.parametrize("name", ALL)
def test_plain_ngspice_finds_what_the_bench_does(name: str, tmp_path: Path) -> None:
    held(load_stage(name), diagnose.to_netlist(name), tmp_path)


FAULTS = [
    ("phono-two-transistor", "C3:capacitance loss", "20 uF", "C3", 20e-6),
    ("phono-opamp", "C2:leakage", "1 Mohm", "C2.positive-negative", 1e6),
    ("line-two-transistor", "Q1:low gain", None, "Q1", None),
    ("line-triode", "C5:open", None, "C5", 3e-12),
]


@NGSPICE
@pytest.mark.parametrize(("name", "fault", "size", "part", "value"), FAULTS)
def test_a_fault_is_in_the_netlist(
    name: str, fault: str, size: str | None, part: str, value: float | None, tmp_path: Path
) -> None:
    drawn = load_stage(name)
    text = diagnose.to_netlist(name, fault, size)
    where, mode = fault.split(":")
    chosen = inject(drawn, Fault(where, mode, _size(drawn, where, mode, size)))
    if value is not None:
        assert chosen.part(part).value == pytest.approx(value)
    assert text != diagnose.to_netlist(name)
    engine = Engine().run
    held(alone(loaded(fed_as(drawn, chosen)), engine), text, tmp_path)
    assert f"; {fault.replace(':', ' ')}" in text.splitlines()[0]


def _size(stage: Stage, part: str, mode: str, size: str | None) -> float:
    about = mode_for(stage, part, mode).range
    if about is None:
        return 1.0
    if size is None:
        return float(about.at(np.array(0.5)))
    return size_from(stage, part, mode, parse(size, about.unit))


@NGSPICE
def test_the_analyses_in_it_run_by_themselves(tmp_path: Path) -> None:
    """Without a word more: an operating point, a sweep, noise and the harmonics of a run."""
    readings = [
        Reading("dc voltage", at="c1"), Reading("gain", frequency=20.0), Reading("noise"),
        Reading("thd", frequency=1e3, level=("input level", 0.08)),
    ]
    text = diagnose.to_netlist("phono-two-transistor", readings=readings)
    (tmp_path / "x.cir").write_text(text, encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", "x.cir"], cwd=tmp_path, capture_output=True,
                          text=True, timeout=120)
    assert "Node                                  Voltage" in done.stdout
    assert "AC Analysis" in done.stdout
    assert "onoise" in done.stdout
    thd = re.search(r"THD: ([\d.e+-]+) %", done.stdout)
    assert thd
    mine = take(load_stage("phono-two-transistor"), [readings[-1]])[0]
    # the two sum harmonics by Fourier's series of one period, at other time steps
    assert float(thd[1]) == pytest.approx(100.0 * mine, rel=0.1)


@NGSPICE
def test_the_noise_in_it_is_that_of_the_bench(tmp_path: Path) -> None:
    text = diagnose.to_netlist("phono-opamp")
    real, _ = run(text, tmp_path, "noise v(out) Vgen dec 200 20 20k", "print onoise_total")
    (mine,) = take(load_stage("phono-opamp"), [Reading("noise", band=(20.0, 20e3))])
    assert real["onoise_total"] == pytest.approx(mine, rel=0.02)


@NGSPICE
def test_hum_in_it_is_that_of_the_bench(tmp_path: Path) -> None:
    """Ripple, pick-up and stray current as sources, by a transient run."""
    text = diagnose.to_netlist("line-two-transistor").replace("hum=0", "hum=1000")
    assert "hum=1000" in text  # linear, and so far above what a transient run is solved to
    rows = [*text.removesuffix(".end\n").split("\n"), ".control", "tran 50u 2 1.8 50u",
            "fourier 50 v(out)", ".endc", ".end", ""]
    (tmp_path / "hum.cir").write_text("\n".join(rows), encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", "hum.cir"], cwd=tmp_path, capture_output=True,
                          text=True, timeout=120)
    row = re.search(r"^\s*2\s+100\s+([\d.e+-]+)", done.stdout, re.MULTILINE)
    assert row
    (mine,) = take(load_stage("line-two-transistor"), [Reading("hum", frequency=100.0)])
    told = float(row[1]) / math.sqrt(2.0) / 1e3
    # no instrument reads nothing: the bench adds a floor of its own
    assert math.hypot(told, HUM_FLOOR) == pytest.approx(mine, rel=0.02)


# -- and in again ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_a_stage_comes_in_again_as_it_went_out(name: str) -> None:
    drawn = load_stage(name)
    made = diagnose.from_netlist(diagnose.to_netlist(name), name=f"{name}.cir")
    assert not made.left
    assert not made.guesses
    readings = [Reading("dc voltage", at=at) for at, _ in drawn.test_points]
    readings += [Reading("gain", frequency=f) for f in (20.0, 1e3, 20e3)]
    assert np.allclose(take(made.stage, readings), take(drawn, readings), rtol=1e-6, atol=1e-9)


def test_what_was_changed_in_the_netlist_is_changed_in_the_stage() -> None:
    """The comments do not rule: values and volts are the netlist's."""
    text = diagnose.to_netlist("phono-opamp")
    for before, after in (
        ("R3 inn f1 N__metal_film 470.0", "R3 inn f1 N__metal_film 560.0"),
        ("C5 fm inn 3.3e-09", "C5 fm inn 4.7n"),
        ("Rload out 0 100000.0", "Rload out 0 47k"),
    ):
        assert before in text
        text = text.replace(before, after)
    text = re.sub(r"^R7 .*\n", "", text, flags=re.MULTILINE)
    made = diagnose.from_netlist(text, name="changed.cir")
    drawn = load_stage("phono-opamp")
    assert made.stage.part("R3") == replace(drawn.part("R3"), value=560.0)
    assert made.stage.part("C5").value == 4.7e-9
    assert made.stage.load == 47e3
    assert "R7" not in {part.name for part in made.stage.parts}
    assert {one.what for one in made.left} == {"R3", "C5", "R7", "load"}
    assert made.stage.part("C1").role == drawn.part("C1").role


@pytest.mark.parametrize(("name", "fault", "size"), [
    ("phono-opamp", "C2:leakage", "1 Mohm"), ("phono-opamp", "C6:capacitance loss", "1 uF"),
    ("line-two-transistor", "R5:drift up", None), ("phono-opamp", "J3:poor contact", "10 kohm"),
    ("phono-opamp", "C3:high esr", "100 ohm"),
])
def test_a_faulty_unit_comes_in_as_it_is(name: str, fault: str, size: str | None) -> None:
    """What was added is a part, and what has another value has it: it reads as the faulty one."""
    drawn = load_stage(name)
    where, mode = fault.split(":")
    faulty = inject(drawn, Fault(where, mode, _size(drawn, where, mode, size)))
    made = diagnose.from_netlist(diagnose.to_netlist(name, fault, size), name="faulty.cir")
    assert made.left
    readings = [Reading("dc voltage", at=at) for at, _ in drawn.test_points]
    readings += [Reading("gain", frequency=f) for f in (20.0, 1e3, 20e3)]
    expected = take(faulty, readings)
    assert np.allclose(take(made.stage, readings), expected, rtol=1e-4, atol=1e-6)
    assert not np.allclose(take(drawn, readings), expected, rtol=1e-4, atol=1e-6)


def test_a_changed_transistor_is_not_passed_over() -> None:
    text = diagnose.to_netlist("line-two-transistor")
    changed = text.replace("BF=", "BF=1", 1) if "BF=450" not in text else text.replace(
        "BF=450.0", "BF=100.0", 1)
    assert changed != text
    with pytest.raises(InputError, match="not as the comments"):
        diagnose.from_netlist(changed, name="changed.cir")


def test_a_changed_unit_is_not_passed_over() -> None:
    text = diagnose.to_netlist("receiver-chain")
    row = re.search(r"^R_phono_r\d+ \S+ \S+ \S+ [\d.]+$", text, re.MULTILINE)
    assert row
    words = row[0].split()
    changed = text.replace(row[0], " ".join([*words[:-1], "12345.0"]))
    with pytest.raises(InputError, match="not as its comments say"):
        diagnose.from_netlist(changed, name="changed.cir")


@pytest.mark.parametrize("name", stage_names())
def test_without_comments_it_comes_in_by_guesses(name: str) -> None:
    """The same voltages at rest and the same gain, from the elements alone."""
    text = diagnose.to_netlist(name)
    bare = "\n".join(row for row in text.split("\n") if not row.startswith("* amp:"))
    drawn = load_stage(name)
    made = diagnose.from_netlist(bare, {"output": node(drawn.output)}, name=f"{name}.cir")
    assert made.guesses
    names = dict(made.renamed)
    mine = replace(made.stage, parts=tuple(
        replace(p, esr=0.0) if kind(p.kind).family == "capacitor" else p for p in made.stage.parts))
    shared = [n for n in drawn.nodes if names.get(node(n), node(n)) in mine.nodes]
    assert len(shared) > len(drawn.nodes) // 2
    before = take(drawn, [*(Reading("dc voltage", at=n, meter=math.inf) for n in shared),
                          Reading("gain", frequency=1e3)])
    after = take(mine, [*(Reading("dc voltage", at=names.get(node(n), node(n)), meter=math.inf)
                          for n in shared), Reading("gain", frequency=1e3)])
    assert np.allclose(after, before, rtol=5e-3, atol=5e-3)

"""Devices of the user's own: a file of `.model` and `.subckt` lines beside a stage, or in it."""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import pytest

from circuits.bench.take import take
from circuits.errors import InputError
from circuits.load import load_stage, stage_of_text
from circuits.reading import Reading

LIBRARY = """* devices of no maker, invented
.model mine NPN(IS=2E-14 BF=180 VAF=60 Vceo=45 mfg=nobody)
.model stack NMOS(level=3 vto=1.1 kp=0.05 theta=0.05)
.model steep VDMOS(vto=2 kp=3 rs=0.1)
.model glow D(IS=1E-12 N=1.8 BV=6.2)
.subckt block inp inn vcc vee out
Rin inp inn 1Meg
Gm 0 a inp inn 2m
Ra a 0 50Meg
Ca a 0 100p
Eo b 0 a 0 1
Ro b out 100
Rs vcc vee 10k
.ends
.subckt tube a g k
B1 a k i=2m*pow(max(v(g,k)+v(a,k)/50,0)/3,1.5)
C1 g k 2p
.ends
"""
STAGE = """stage: own
rails:
  vcc: {volts: 12}
ports: {input: in, output: out}
source impedance: 600
devices: my-models.lib
parts:
  C1: {kind: electrolytic, nodes: [b, in], value: 10u}
  R1: {kind: carbon-film, nodes: [vcc, b], value: 56k}
  R2: {kind: carbon-film, nodes: [b, '0'], value: 12k}
  Q1: {kind: npn, nodes: [c, b, e], model: mine}
  R3: {kind: carbon-film, nodes: [vcc, c], value: 3.3k}
  R4: {kind: carbon-film, nodes: [e, '0'], value: 1k}
  C2: {kind: electrolytic, nodes: [c, out], value: 10u}
  R5: {kind: carbon-film, nodes: [out, '0'], value: 47k}
"""


def written(folder: Path, stage: str = STAGE, library: str = LIBRARY) -> Path:
    (folder / "my-models.lib").write_text(library, encoding="utf-8")
    path = folder / "own.yaml"
    path.write_text(stage, encoding="utf-8")
    return path


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_a_part_does_what_the_model_beside_says(tmp_path: Path) -> None:
    stage = load_stage(written(tmp_path))
    assert dict(stage.part("Q1").parameters) == {"IS": 2e-14, "BF": 180.0, "VAF": 60.0}
    rows = ["x", "V1 vcc 0 12", "R1 vcc b 56k", "R2 b 0 12k", "Q1 c b e mine", "R3 vcc c 3.3k",
            "R4 e 0 1k", ".model mine NPN(IS=2E-14 BF=180 VAF=60)", ".control", "op",
            "print v(c) v(e)", ".endc", ".end", ""]
    (tmp_path / "x.cir").write_text("\n".join(rows), encoding="utf-8")
    told = subprocess.run(["ngspice", "-b", "x.cir"], cwd=tmp_path, capture_output=True, text=True,
                          timeout=60).stdout
    expected = [float(r.split(" = ")[1]) for r in told.splitlines() if r.startswith("v(")]
    found = take(stage, [Reading("dc voltage", at=n, meter=math.inf) for n in ("c", "e")])
    assert found == pytest.approx(expected, rel=2e-3)


def test_the_lines_may_stand_in_the_stage_itself(tmp_path: Path) -> None:
    beside = load_stage(written(tmp_path))
    rows = "devices: |\n" + "".join(f"  {row}\n" for row in LIBRARY.splitlines())
    inside = stage_of_text(STAGE.replace("devices: my-models.lib\n", rows), "own.yaml")
    assert inside == beside


@pytest.mark.parametrize(
    ("kind", "nodes", "model"),
    [("nmos", "[vcc, b, out]", "stack"), ("nmos", "[vcc, b, out]", "STEEP"),
     ("opamp", "[b, out, out, vcc, '0']", "block"), ("triode", "[vcc, b, out]", "tube"),
     ("zener", "[b, out]", "glow"), ("diode", "[b, out]", "glow")],
)
def test_every_sort_of_device_is_simulated(
    kind: str, nodes: str, model: str, tmp_path: Path
) -> None:
    value = ", value: 6.2" if kind == "zener" else ""
    row = f"  U1: {{kind: {kind}, nodes: {nodes}, model: {model}{value}}}\n"
    stage = load_stage(written(tmp_path, STAGE + row))
    found = take(stage, [Reading("dc voltage", at="out"), Reading("gain", frequency=1e3)])
    plain = take(load_stage(written(tmp_path)), [Reading("dc voltage", at="out"),
                                                 Reading("gain", frequency=1e3)])
    assert all(map(math.isfinite, found))
    assert found[1] != pytest.approx(plain[1], abs=1e-6)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("Q9: {kind: pnp, nodes: [c, b, e], model: mine}", "not pnp"),
        ("Q9: {kind: npn, nodes: [c, b, e], model: block}", "5 pins"),
        ("Q9: {kind: npn, nodes: [c, b, e], model: nobody}", "no device"),
    ],
)
def test_a_device_that_does_not_fit_is_refused(row: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=says) as caught:
        load_stage(written(tmp_path, f"{STAGE}  {row}\n"))
    assert caught.value.place is not None
    assert "^" in str(caught.value)


@pytest.mark.parametrize(
    ("library", "says"),
    [
        (".model mine BSIM9(x=1)\n", "no part has a model"),
        (".model mine NPN(level=504)\n", "level"),
        ("R1 a b 1k\n", "is an element"),
        (".model mine\n", "a name and a type"),
        (".control\nshell touch x\n.endc\n.model other NPN(BF=1)\n", "no device"),
    ],
)
def test_mistakes_of_the_library_are_shown_where_they_stand(
    library: str, says: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=says):
        load_stage(written(tmp_path, library=library))
    assert not (tmp_path / "x").exists()


def test_a_faulty_op_amp_of_ones_own_is_faulty(tmp_path: Path) -> None:
    """Offset stands before its inside, a dead one is that of a generic one."""
    from faultlib.catalogue import hypotheses
    from faultlib.fault import Fault
    from faultlib.inject import inject

    row = "  U1: {kind: opamp, nodes: [e, o2, o2, vcc, '0'], model: block}\n" \
          "  R9: {kind: carbon-film, nodes: [o2, '0'], value: 10k}\n"
    stage = load_stage(written(tmp_path, STAGE + row))
    at = Reading("dc voltage", at="o2", meter=math.inf)
    (good,) = take(stage, [at])
    modes = {h.mode.name: h.mode for h in hypotheses(stage) if h.part == "U1"}
    offset = next(m for m in modes.values() if any(
        c.what == "offset" and m.range is not None for c in m.changes))
    assert offset.range is not None
    size = offset.range.worst
    (moved,) = take(inject(stage, Fault("U1", offset.name, size)), [at])
    assert moved - good == pytest.approx(size, rel=0.02)

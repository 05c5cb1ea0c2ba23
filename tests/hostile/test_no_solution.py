"""Faults and stages of which the simulator finds no solution: an answer that says so, or a message.

That these have none is arithmetic: of a source that follows its own voltage with a gain of 1 every
voltage is a solution, and two ideal sources across the same nodes that disagree have none
(Kirchhoff's law of voltages).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from diagnose.cli.main import main

LIBRARY = """.subckt runaway 1 2 3 4 5
E1 5 0 5 0 {gain}
R1 1 2 1meg
R2 3 4 1meg
R3 5 0 1k
.ends
.subckt clash 1 2 3 4 5
E1 5 0 1 0 2
E2 5 0 1 0 3
R1 1 2 1meg
R2 3 4 1meg
.ends
.subckt steep 1 2 3 4 5
E1 x 0 1 2 1e9
R0 x 5 1m
R1 1 2 1meg
R2 3 4 1meg
.ends
"""
STAGE = """stage: wild
devices: mine.lib
ports: {{input: in, output: out}}
rails: {{vcc: {{volts: 12}}, vee: {{volts: -12}}}}
parts:
  R1: {{kind: metal-film, nodes: [in, m], value: 10k}}
  R2: {{kind: metal-film, nodes: [m, {back}], value: 100k}}
  U1: {{kind: opamp, nodes: [{pins}, out, vcc, vee], model: {model}}}
  R3: {{kind: metal-film, nodes: [out, "0"], value: 10k}}
"""
SHEET = """stage: wild.yaml
readings:
  - {quantity: dc voltage, at: out, value: 0 V}
  - {quantity: gain, frequency: 1 kHz, value: 10 dB}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("model", "way"),
    [("runaway", "inverting"), ("clash", "inverting"), ("steep", "regenerating")],
)
def test_it_ends_and_says_what_it_could_not(
    model: str, way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    pins = '"0", m' if way == "inverting" else 'm, "0"'
    text = STAGE.format(model=model, pins=pins, back="out")
    (tmp_path / "wild.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "mine.lib").write_text(LIBRARY.replace("{gain}", "1.0"), encoding="utf-8")
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(SHEET, encoding="utf-8")
    code = main(["rank", str(sheet), "--json", "--time-limit", "0.3"])
    told = capsys.readouterr()
    assert "Traceback" not in told.err
    if code == 2:
        assert 0 < len(told.err) < 1500
        return
    assert code == 0
    said = json.loads(told.out)
    total = said["healthy"] + said["rest"] + said.get("unmodelled", 0.0) + sum(
        one["probability"] for one in said["suspects"])
    assert total == pytest.approx(1.0, abs=0.02)

"""``diagnose stages --from`` and ``--to``: files, streams, exit codes."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from circuits.load import load_stage
from diagnose.cli.main import main

ROWS = """a stage with what people write
V1 vcc 0 12
Vin in 0 AC 1
C1 in b 10u
R1 vcc b 56k
R2 b 0 12k
Q1 c b e q
R3 vcc c 3k3
R4 e 0 1k
C2 c out 10u
.model q npn(bf=200)
.tran 1u 1m
.control
shell touch marker
.endc
.end
"""
Streams = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes the user's store, and none starts a pool."""
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.cir").write_text(ROWS, encoding="utf-8")


def test_a_netlist_becomes_a_file_and_the_guesses_a_table(capsys: Streams, tmp_path: Path) -> None:
    assert main(["stages", "--from", "mine.cir", "-o", "mine.yaml"]) == 0
    told = capsys.readouterr().out
    for word in ("Guessed", "question", "What is", "3k3", "3.3 kΩ?", "Left out", ".tran 1u 1m",
                 "never run", "mine.yaml written"):
        assert word in told, word
    assert "electrolytic" in (tmp_path / "mine.yaml").read_text(encoding="utf-8")
    assert not (tmp_path / "marker").exists()
    assert main(["stages", "mine.yaml"]) == 0
    assert "Guessed, and not confirmed" in capsys.readouterr().out


def test_without_a_file_the_stage_goes_to_the_screen_alone(capsys: Streams) -> None:
    assert main(["stages", "--from", "mine.cir"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("# From the netlist mine.cir.")
    assert "Guessed" in err


def test_nothing_that_is_there_is_written_over(capsys: Streams, tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("mine", encoding="utf-8")
    assert main(["stages", "--from", "mine.cir", "-o", "mine.yaml"]) == 2
    assert main(["stages", "filter-high", "--to", "mine.yaml"]) == 2
    assert "exists and was not touched" in capsys.readouterr().err
    assert (tmp_path / "mine.yaml").read_text(encoding="utf-8") == "mine"


def test_ports_can_be_said(capsys: Streams) -> None:
    assert main(["stages", "--from", "mine.cir", "-o", "x.yaml", "--output", "c"]) == 0
    assert load_stage("x.yaml", Path()).output == "c"
    assert main(["stages", "--from", "mine.cir", "-o", "y.yaml", "--output", "zz"]) == 2
    assert "one of: " in capsys.readouterr().err


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_a_stage_becomes_a_netlist_that_runs(capsys: Streams, tmp_path: Path) -> None:
    words = ["stages", "filter-high", "--to", "x.cir", "--fault", "C1:capacitance loss", "--size",
             "1 uF"]
    assert main(words) == 0
    assert "ngspice -b x.cir" in capsys.readouterr().out
    done = subprocess.run(["ngspice", "-b", "x.cir"], cwd=tmp_path, capture_output=True, text=True,
                          timeout=60)
    assert "AC Analysis" in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["stages", "--from", "mine.cir", "--to", "x.cir"], ["stages", "--to", "x.cir"],
        ["stages", "filter-high", "--from", "mine.cir"], ["stages", "filter-high", "-o", "x.yaml"],
        ["stages", "filter-high", "--fault", "C1:open"], ["stages", "--from", "missing.cir"],
        ["stages", "filter-high", "--healthy", "--to", "x.cir"],
        ["stages", "filter-high", "--to", "missing/x.cir"],
        ["stages", "filter-high", "--to", "x.cir", "--fault", "C1:melted"],
        ["stages", "filter-high", "--to", "x.cir", "--size", "1u"],
        ["stages", "--from", "."],
    ],
)
def test_what_does_not_go_together_is_told(words: list[str], capsys: Streams) -> None:
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert not out
    assert err.strip()
    assert "Traceback" not in err

"""What readings find: sizes by the χ² law, look-alikes by geometry, the command by closed form."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.cli.main import main
from diagnose.inference.model_error import model_errors
from diagnose.show.coverage_figure import coverage_figure
from diagnose.show.text_coverage import coverage_text
from diagnose.studies.fault_coverage import Coverage, coverage_json, covered, threshold
from tests.diagnose.fake_bench import FARADS, LinearUnit, currents

DATA = Path(__file__).resolve().parents[2] / "data"
REGISTRY = 0.03
"""Standard uncertainty of a supply current's natural logarithm at a bench (the registry's)."""


def found(unit: LinearUnit) -> Coverage:
    return covered(unit.found(), sum(h.prior for h in unit.losses()))


@pytest.mark.parametrize("size", [1, 2, 5, 22, 60])
def test_the_healthy_region_holds_99_of_100_units(size: int) -> None:
    assert threshold(size) == pytest.approx(float(stats.chi2.isf(0.01, size)), rel=1e-6)


@pytest.mark.parametrize("move", [0.3, 1.0, 3.0])
def test_the_smallest_size_is_where_the_shift_leaves_that_region(move: float) -> None:
    """One reading: |move · ln s| = σ √χ²(0.99, 1), within one step of the grid of sizes."""
    unit = LinearUnit(np.array([[move]]), currents(1), 0.02)
    (fault,) = found(unit).faults
    tolerance = move * math.log1p(0.02) / math.sqrt(3.0)
    model = model_errors()[1]["supply current"].sigma
    sigma = math.sqrt(tolerance**2 + REGISTRY**2 + model**2)
    limit = math.exp(-sigma * math.sqrt(float(stats.chi2.isf(0.01, 1))) / move) * FARADS
    mild, worst = (float(x) * FARADS for x in unit.losses()[0].mode.size(np.array([0.0, 1.0])))
    step = (mild / worst) ** (1.0 / 64.0)
    assert fault.smallest is not None
    expected = min(limit, mild)
    assert expected / step * 0.999 <= fault.smallest.value <= expected * 1.001
    share = math.log(expected / worst) / math.log(mild / worst)
    assert fault.share == pytest.approx(share, abs=1.0 / 64.0)
    assert fault.detected == (fault.share >= 0.5)


def test_parts_that_move_readings_alike_are_look_alikes_and_others_are_not() -> None:
    moves = np.array([[3.0, 3.0, 0.0, 0.0], [0.0, 0.0, 3.0, 0.0]])
    made = {f.part: f for f in found(LinearUnit(moves, currents(2), 0.02)).faults}
    assert made["C1"].alike == ("C2 capacitance loss",)
    assert made["C2"].alike == ("C1 capacitance loss",)
    assert made["C3"].isolated
    assert not made["C4"].detected
    assert made["C4"].smallest is None


def test_shares_add_up_by_how_often_faults_are_met() -> None:
    moves = np.array([[3.0, 3.0, 0.0, 0.0], [0.0, 0.0, 3.0, 0.0]])
    made = found(LinearUnit(moves, currents(2), 0.02))
    assert sum(f.weight for f in made.faults) == pytest.approx(1.0)
    assert made.detected == pytest.approx(0.75)  # three of four equal parts
    assert made.isolated == pytest.approx(0.25)
    document = coverage_json(made)
    assert [f["group"] for f in document["faults"]] == [2, 2, 1, 1]
    text = coverage_text(made)
    assert "not detected" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_the_picture_has_every_part_once() -> None:
    moves = np.eye(30) * 3.0
    figure = coverage_figure(found(LinearUnit(moves, currents(30), 0.02)))
    words = [word for panel in figure.panels for _, word in panel.y.words]
    assert words == [f"C{k + 1}" for k in range(30)]
    for panel in figure.panels:
        for series in panel.series:
            assert len(series.x) == len(series.y) == len(panel.y.words)
            assert all(0.0 <= x <= 1.0 for x in series.x)


@pytest.mark.slow
def test_the_command_tells_and_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A first-order coupling: what it loses at 20 Hz shows long before the capacitor is open."""
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    picture = tmp_path / "coverage.png"
    words = ["coverage", str(DATA / "coupling.yaml"), "--json", "-o", str(picture)]
    assert main(words) == 0
    answer = json.loads(capsys.readouterr().out)
    faults = {(f["part"], f["mode"]): f for f in answer["faults"]}
    loss = faults["C1", "capacitance loss"]
    assert loss["detected"]
    assert loss["from"]["unit"] == "F"
    # 1/(2π · 11 kΩ · C) lies at 1.4 Hz when good; at 20 Hz the loss must be decibels by 1 µF
    assert 0.5e-6 < loss["from"]["value"] < 10e-6
    assert picture.stat().st_size > 1000
    assert main(["coverage", str(DATA / "coupling.yaml"), "-o", "x.pdf"]) == 2

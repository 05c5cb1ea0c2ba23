"""The blank sheet for the clip-board: rows, boxes, and what a good unit reads."""

from __future__ import annotations

import math
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.cli.main import main
from diagnose.show.blank_paper import by_hand, expected_text, paper, paper_html
from diagnose.show.curve_rows import rows_of
from diagnose.studies.good_readings import good_readings
from faultlib.good_unit import Figure
from faultlib.simulate import Laboratory
from faultlib.store import Store

STAGE = Path(__file__).resolve().parents[2] / "data" / "coupling.yaml"
GAIN = [Reading("gain", frequency=f) for f in (1.0, 10.0, 100.0, 1e3)]


def test_readings_that_differ_in_frequency_alone_are_one_row() -> None:
    volts = Reading("dc voltage", at="out")
    few = [Reading("hum", frequency=f) for f in (50.0, 100.0)]
    rows = rows_of([volts, GAIN[2], few[0], GAIN[0], GAIN[3], GAIN[1], few[1]])
    assert [row.label for row in rows] == [
        "dc voltage at out", "gain", "hum at 50 Hz", "hum at 100 Hz"]
    assert [r.frequency for r in rows[1].readings] == [1.0, 10.0, 100.0, 1e3]


def test_of_a_sweep_those_are_taken_by_hand_that_a_generator_is_marked_at() -> None:
    # thirds of an octave from 20 Hz to 20 kHz, as base-ten preferred numbers (IEC 61260-1)
    sweep = [Reading("gain", frequency=1000.0 * 10 ** (k / 10)) for k in range(-17, 14)]
    taken = [round(r.frequency) for r in by_hand(sweep)]
    assert taken == [20, 50, 100, 200, 501, 1000, 1995, 5012, 10000, 19953]
    assert by_hand(GAIN) == GAIN


@pytest.mark.parametrize(("low", "high", "text"), [
    (1.46, 1.51, "1.46 … 1.51 V"), (0.95, 1.05, "950 mV … 1.05 V"), (-0.0, 0.0, "0 V"),
])
def test_a_range_has_its_unit_once(low: float, high: float, text: str) -> None:
    assert expected_text(Reading("dc voltage", at="out"), Figure(0.0, low, high)) == text
    assert expected_text(Reading("dc voltage", at="out"), None) == ""


def test_a_value_whose_range_nobody_knows_is_about_that() -> None:
    assert expected_text(Reading("dc voltage", at="out"), Figure(1.5, 1.5, 1.5)) == "about 1.5 V"


def test_what_is_expected_is_what_the_parts_give_and_their_tolerances_allow() -> None:
    stage = load_stage(str(STAGE))
    with Laboratory(Store(None), workers=0) as bench:
        figures = good_readings(stage, [*GAIN, Reading("slew rate")], bench)
    # 10 uF into 10 kohm is a first-order high-pass (any text on networks)
    corner = 1.0 / (2.0 * math.pi * 10e-6 * 10e3)
    whole = figures[3]
    assert whole is not None
    for reading, figure in zip(GAIN, figures, strict=False):
        assert figure is not None
        true = -10.0 * math.log10(1.0 + (corner / reading.frequency) ** 2)
        # the ohms of the generator take the same everywhere, and the corner a little lower
        assert figure.value - whole.value == pytest.approx(true, abs=0.02)
        assert figure.low <= figure.value <= figure.high
    # below the corner the gain goes as the capacitance, which strays by more than 1 %; well above
    # it by next to nothing
    assert figures[0] is not None
    assert figures[0].high - figures[0].low > 2 * 20.0 * math.log10(1.01) * 0.7
    assert whole.high - whole.low < 0.05


class _Read(HTMLParser):
    """Counts what the sheet has to write in, and gathers what it refers to."""

    def __init__(self) -> None:
        super().__init__()
        self.boxes, self.refers = 0, []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.boxes += tag == "td" and (given.get("class") == "box" or not given)
        self.refers += [v for k, v in attrs if k in ("src", "href")]


def test_the_sheet_needs_nothing_else_and_has_a_box_for_every_reading_of_every_channel() -> None:
    stage = load_stage(str(STAGE))
    volts = [Reading("dc voltage", at=at) for at in ("in", "out")]
    sheet = paper(stage, [*volts, *GAIN], {}, channels=("left", "right"))
    text = paper_html(sheet)
    read = _Read()
    read.feed(text)
    assert read.refers == []
    assert "<script" not in text
    assert not re.search(r"url\((?!#)|@import", text)
    checks = 4 * 3
    what_is_expected = len(GAIN) + len(volts)
    assert read.boxes == 2 * (len(volts) + len(GAIN)) + what_is_expected + checks
    assert 'data-part="C1"' in text
    for field in ("Customer&#39;s words", "Serial number", "Technician"):
        assert field in text


@pytest.mark.slow
def test_the_command_writes_it_once(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                    monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    file = tmp_path / "s.html"
    assert main(["sheet", str(STAGE), "-o", str(file)]) == 0
    assert "print it" in capsys.readouterr().out
    text = file.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert "A coupling capacitor into its load" in text
    assert main(["sheet", str(STAGE), "-o", str(file)]) == 2
    assert file.read_text(encoding="utf-8") == text

"""The report: one file that needs nothing else, true to the answer.

The file is read by the standard library's parser of HTML; what must stand in it is the case's own.
"""

from __future__ import annotations

import json
import re
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result, Severity, Suspect
from diagnose.cli.main import main
from diagnose.sheet.case import Case, load_case
from diagnose.show.answer_figure import answer_figure, faults
from diagnose.show.report_file import report_html
from faultlib.catalogue import hypotheses, size_value
from faultlib.simulate import Laboratory
from faultlib.store import Store

ROOT = Path(__file__).resolve().parents[3]
CASE = ROOT / "tests" / "data" / "coupling-dry.yaml"
VOID = {"meta", "link", "br", "img", "input", "hr", "col"}


class Read(HTMLParser):
    """Checks that tags nest, and gathers texts and what the file refers to."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []
        self.refers: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        self.refers += [str(v) for k, v in attrs if k in ("src", "href", "xlink:href", "action")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)


@pytest.fixture(scope="module")
def answered() -> tuple[Case, Result, str]:
    case = load_case(CASE)
    with Laboratory(Store(None), workers=0) as bench:
        result = rank(case, bench)
        figure = answer_figure(case, result.suspects[0], bench)
    return case, result, report_html(case, result, figure, date(1974, 3, 9))


def test_the_report_is_whole_and_refers_to_nothing_outside(
    answered: tuple[Case, Result, str],
) -> None:
    read = Read()
    read.feed(answered[2])
    assert read.open == []
    assert read.refers == []
    assert "script" not in read.tags
    assert not re.search(r"url\((?!#)|@import", answered[2])


def test_the_report_says_what_the_answer_says(answered: tuple[Case, Result, str]) -> None:
    case, result, text = answered
    read = Read()
    read.feed(text)
    said = " ".join(" ".join(read.texts).split())
    assert case.name in said
    assert "9 March 1974" in said
    for line in result.verdict:
        assert line.reading in said
    assert "NOT MET" in said
    assert result.suspects[0].name in said
    for measured in case.readings:
        assert measured.reading.label() in said
    for caution in result.cautions:
        assert caution in said
    assert 'data-part="C1"' in text
    assert 'data-label="measured"' in text


def test_the_prediction_is_the_curve_of_a_smaller_capacitor(
    answered: tuple[Case, Result, str],
) -> None:
    case, result, _ = answered
    suspect = result.suspects[0]
    assert suspect.severity is not None
    with Laboratory(Store(None), workers=0) as bench:
        (panel,) = answer_figure(case, suspect, bench).panels
    line = next(s for s in panel.series if s.label == suspect.name)
    f = np.array(line.x)
    # a coupling capacitor into 10 kohm is a first-order high-pass (any text on networks)
    corner = 1.0 / (2.0 * np.pi * suspect.severity.value * 10e3)
    expected = -10.0 * np.log10(1.0 + (corner / f) ** 2)
    assert np.max(np.abs(np.array(line.y) - expected)) < 0.02
    assert {m.reading.frequency for m in case.readings} <= set(line.x)


def test_a_suspect_is_drawn_at_the_size_that_it_shows() -> None:
    for stage in {c.stage for c in map(load_case, (ROOT / "examples").glob("hall-*.yaml"))}:
        for hypothesis in hypotheses(stage):
            fault = hypothesis.fault(float(hypothesis.mode.size(np.array(0.3))))
            shown = size_value(stage, fault)
            severity = None if shown is None else Severity(
                shown.quantity, shown.value, shown.value, shown.value, shown.unit)
            suspect = Suspect(fault.part, fault.mode, 1.0, 1, severity)
            (again,) = faults(stage, suspect)
            if hypothesis.mode.sized:
                assert again.size == pytest.approx(fault.size, rel=1e-6), fault


def test_the_command_writes_the_report_and_its_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    file = tmp_path / "r.html"
    assert main(["report", str(CASE), "-o", str(file), "--json", "--no-cache"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["report"] == str(file)
    assert document["suspects"][0]["part"] == "C1"
    assert file.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("name", ["r.pdf", "missing/r.html"])
def test_a_report_that_cannot_be_written_is_told_so(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    assert main(["report", str(CASE), "-o", str(tmp_path / name), "--no-cache"]) == 2
    assert "expected" in capsys.readouterr().err


def test_a_port_that_cannot_be_had_is_told_so() -> None:
    from diagnose.web.serve import serve

    with pytest.raises(InputError, match="port"):
        serve(port=70000, browser=False)

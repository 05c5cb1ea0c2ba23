"""On every screen what to mind stands above what is to be done: the places are compared.

The unit is a user's own 290 V stage whose file says nothing of it.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from flask import render_template

from circuits.cautions import HEADING, caution_texts
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.advice.next_reading import NextReading
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result, to_json
from diagnose.cli.main import main
from diagnose.sheet.blank_csv import blank_csv
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.case import load_case
from diagnose.show.blank_paper import paper, paper_body
from diagnose.show.figure import Figure
from diagnose.show.report_file import report_body
from diagnose.show.text_answer import as_text
from diagnose.show.text_next import next_text
from diagnose.show.text_stage import stage_text
from diagnose.web.app import make_app
from faultlib.simulate import Laboratory
from faultlib.store import Store

FOLDER = Path(__file__).resolve().parents[2] / "data" / "valve"
CASE, OWN = FOLDER / "own-triode-case.yaml", FOLDER / "own-triode.yaml"
KILLS = "290 V at ht can kill"
ANODE = NextReading("gain at 1 kHz to p", 1.0, "3 min, live", "Live, up to 290 V.",
                    (("quantity", "gain"), ("at", "p")), "over the e.m.f.")
SHEET = [(Reading("dc voltage", at="p"), "V1 anode"), (Reading("gain", at="p", frequency=1e3), ""),
         (Reading("gain", frequency=1e3), "at the plug")]


@pytest.fixture(scope="module")
def answer() -> Result:
    with Laboratory(Store(None), workers=0) as bench:
        return rank(load_case(CASE), bench)


def plain(text: str) -> str:
    return " ".join(text.split())


def in_order(text: str, *words: str) -> bool:
    places = [text.index(word) for word in words]
    return places == sorted(places)


@pytest.mark.slow
def test_rank(answer: Result) -> None:
    text = plain(as_text(answer))
    assert in_order(text, HEADING, KILLS, "Unplug before", "What these readings point to",
                    "Readings to take next")
    assert text.count(KILLS) == 1
    assert to_json(answer)["cautions"] == list(caution_texts(load_stage(OWN)))


@pytest.mark.slow
def test_next(answer: Result) -> None:
    text = plain(next_text("case", "own", [ANODE], cautions=answer.cautions))
    assert in_order(text, HEADING, KILLS, "Readings to take next", "gain at 1 kHz to p",
                    "Mind: Live, up to 290 V.", "over the e.m.f.")


@pytest.mark.slow
def test_the_command_next_and_its_document(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path))
    assert main(["next", str(CASE)]) == 0
    assert in_order(plain(capsys.readouterr().out), KILLS, "1. ")
    assert main(["next", str(CASE), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cautions"][0].startswith(KILLS)


def test_a_stage_in_detail() -> None:
    assert in_order(plain(stage_text(load_stage(OWN))), KILLS, "On the bench")


def test_the_blank_sheets() -> None:
    stage = load_stage(OWN)
    text = blank_sheet(stage, SHEET)
    assert in_order(text, HEADING, KILLS, "readings:")
    assert "# live, 290 V: V1 anode" in text
    assert re.search(r"gain, at: p.*# live, 290 V, rated probe", text)
    assert re.search(r"gain, frequency: 1 kHz, value: \}  # at the plug", text)
    table = blank_csv(stage, SHEET)
    assert in_order(table, HEADING, KILLS, "quantity,")
    assert '"live, 290 V: V1 anode"' in table


@pytest.mark.slow
def test_the_report(answer: Result) -> None:
    case = load_case(CASE)
    text = report_body(case, answer, Figure("", ()), date(1974, 3, 9))
    assert in_order(text, HEADING, KILLS, "Cause and repair", "Published figures")
    assert text.count(KILLS) == 1


def test_the_sheet_for_the_clip_board() -> None:
    stage = load_stage(OWN)
    text = paper_body(paper(stage, [reading for reading, _ in SHEET], {}, notes=dict(SHEET)))
    assert in_order(text, HEADING, KILLS, "Readings", "live, 290 V")
    assert re.search(r"gain at 1 kHz to p <span class=\"live\">⚠ live, 290 V, rated probe", text)
    assert re.search(r"gain at 1 kHz</th><td class=\"where\">at the plug", text)


@pytest.mark.slow
def test_the_page_of_suspects(answer: Result, tmp_path: Path) -> None:
    app = make_app(tmp_path, 0, cached=False)
    shown = replace(answer, next=(ANODE,))
    with app.test_request_context("/"):
        text = render_template("answer_page.html", result=shown, name="s", case=load_case(CASE),
                               revision=1, drawing="", others=[], parts={})
    assert in_order(text, HEADING, KILLS, "What these readings point to", "Readings to take next",
                    "Live, up to 290 V.", "Over the e.m.f.")

"""What objects show of themselves: at a prompt, in a notebook, as a table."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

import diagnose
from circuits import prompt
from circuits.bench.workers import COUNT_VARIABLE
from circuits.load import canonical
from diagnose.show.notebook import boxed
from diagnose.show.report_file import report_body
from tests.recordings import tones, write

DATA = Path(__file__).resolve().parents[3] / "tests" / "data"
DRY = DATA / "coupling-dry.yaml"
COUPLING = DATA / "coupling.yaml"


@pytest.fixture(scope="module", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path_factory.mktemp("store")))
        patch.setenv(COUNT_VARIABLE, "0")
        yield


@pytest.fixture(scope="module")
def answer() -> diagnose.Result:
    return diagnose.rank(DRY)


@pytest.fixture(scope="module")
def study() -> diagnose.Study:
    return diagnose.study(COUPLING, "C1:capacitance loss", DRY)


@pytest.fixture(scope="module")
def shown(
    answer: diagnose.Result, study: diagnose.Study, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, object]:
    """One of everything, and what its lines must name."""
    wave = write(tmp_path_factory.mktemp("wave") / "tone.wav", tones({1000.0: 0.5}))
    case = diagnose.load_case(DRY)
    return {
        "Announcements sound thin": case,
        "coupling capacitor": case.stage,
        "C1 capacitance loss": answer,
        "capacitance": answer.suspects[0],
        "Group 1": answer.groups[0],
        "gain at 1 kHz": diagnose.Reading("gain", frequency=1000.0),
        "-5.48 dB": case.readings[0],
        "3 of 3 readings|2 of 3 readings": study,
        "told apart": diagnose.coverage(COUPLING, DRY),
        "tone.wav": diagnose.measure(wave),
        "bit": diagnose.next_readings(diagnose.case(COUPLING, [case.readings[2]]), 1)[0],
        "random benches": diagnose.score(COUPLING, benches=4),
        "panel": diagnose.figure(study),
        "vcc 15 V, vee -15 V": diagnose.load_stage("phono-opamp"),
        "158 parts": diagnose.load_stage("receiver-chain"),
    }


@pytest.mark.slow
def test_every_object_says_what_it_is_in_three_lines(shown: dict[str, object]) -> None:
    for told, thing in shown.items():
        lines = repr(thing).splitlines()
        assert 1 <= len(lines) <= 3, thing
        assert all(len(line) <= prompt.WIDEST for line in lines)
        assert re.search(told, repr(thing)), (told, thing)


def test_a_long_name_does_not_make_a_long_line() -> None:
    case = diagnose.load_case({"case": "hums " * 300, "stage": "phono-opamp"})
    assert max(map(len, repr(case).splitlines())) <= prompt.WIDEST
    case = diagnose.load_case({"case": "one\ntwo\n\nthree\nfour", "stage": "phono-opamp"})
    assert len(repr(case).splitlines()) <= 3


def test_a_short_repr_is_no_key() -> None:
    """The store tells stages apart by every field, which the lines at a prompt do not show."""
    one = diagnose.load_stage("phono-opamp")
    part = one.parts[1]
    other = one.with_part(type(part)(**{**vars(part), "tolerance": 0.123}))
    assert repr(other) == repr(one)
    assert other.key() != one.key()
    assert canonical(other) != canonical(one)
    assert diagnose.load_stage("phono-opamp").key() == one.key()


class Tags(HTMLParser):
    """Opens and closes; what is left open at the end."""

    EMPTY = frozenset({"br", "meta", "link", "img", "hr", "rect", "path", "line", "circle",
                       "polyline", "polygon", "col", "use", "ellipse"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self.EMPTY:
            return
        if not self.open or self.open.pop() != tag:
            self.bad.append(tag)


def test_an_answer_in_a_notebook_is_the_body_of_its_report(answer: diagnose.Result) -> None:
    from datetime import date

    html = answer._repr_html_()
    assert html is not None
    assert answer.sheet is not None
    body = report_body(answer.sheet, answer, diagnose.figure(answer), date.today())
    assert body in html
    tags = Tags()
    tags.feed(html)
    assert tags.bad == []
    assert tags.open == []
    assert "<script" not in html


def test_the_style_of_an_answer_stays_in_its_box(answer: diagnose.Result) -> None:
    html = answer._repr_html_() or ""
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    assert style is not None
    assert style[1].startswith(".amplifier-fault-answer {")
    # one block that is closed at its very end, so that nothing in it counts outside
    depth = 0
    for k, sign in enumerate(style[1]):
        depth += {"{": 1, "}": -1}.get(sign, 0)
        assert depth > 0 or k < 30 or k == len(style[1]) - 1
    assert depth == 0
    for outer in (":root", "@page"):
        assert outer not in style[1]
    assert boxed("body { a: b } .body { c: d } :root { e: f } @page { g: h }") == (
        ".amplifier-fault-answer { & { a: b } .body { c: d } & { e: f }  }")


def test_an_answer_without_its_sheet_has_no_view(answer: diagnose.Result) -> None:
    from dataclasses import replace

    bare = replace(answer, sheet=None)
    assert bare == answer  # the sheet is how it was come by, not what it says
    assert bare._repr_html_() is None
    with pytest.raises(diagnose.InputError, match="sheet"):
        diagnose.report(bare)
    with pytest.raises(diagnose.InputError, match="sheet"):
        diagnose.figure(bare)


@pytest.mark.slow
def test_a_stage_and_a_figure_are_drawn(study: diagnose.Study) -> None:
    for name in ("phono-opamp", "receiver-chain", COUPLING):
        stage = diagnose.load_stage(name)
        drawing = ET.fromstring(stage._repr_svg_() or "")
        assert drawing.tag.endswith("svg")
        named = {group.get("data-part") for group in drawing.iter()}
        assert {part.name for part in stage.parts} <= named
    assert ET.fromstring(diagnose.figure(study)._repr_svg_().partition("<svg")[1]
                         + diagnose.figure(study)._repr_svg_().partition("<svg")[2]
                         ).tag.endswith("svg")


def test_where_nobody_offers_a_view_there_is_none() -> None:
    assert prompt.view(3, "html") is None
    assert prompt.view_text(diagnose.load_stage("phono-opamp"), "html") is None


def test_frames_hold_what_the_documents_hold(
    answer: diagnose.Result, study: diagnose.Study
) -> None:
    pytest.importorskip("pandas")
    document = diagnose.to_json(answer)
    frame = answer.to_frame()
    for key in ("part", "mode", "role", "probability", "group"):
        assert list(frame[key]) == [s[key] for s in document["suspects"]]
    assert list(frame["low"]) == [s["severity"]["low"] for s in document["suspects"]]
    case = diagnose.load_case(DRY)
    assert list(case.to_frame()["value"]) == [-5.48, -2.13, 0.0]
    assert list(diagnose.to_frame(case.readings)["frequency"]) == [10.0, 20.0, 1000.0]
    along = study.to_frame()
    read = diagnose.to_json(study)["readings"][0]
    assert along.index[0] == "healthy"
    assert list(along.iloc[:, 0]) == [read["healthy"], *read["values"]]
    assert along.index.name == "capacitance [F]"
    found = diagnose.coverage(COUPLING, DRY)
    assert list(found.to_frame()["share"]) == [f.share for f in found.faults]
    assert diagnose.to_frame(answer.suspects).equals(frame)
    following = diagnose.next_readings(diagnose.case(COUPLING, [case.readings[2]]))
    assert list(diagnose.to_frame(following)["information"]) == [n.information for n in following]
    with pytest.raises(diagnose.InputError, match="Stage"):
        diagnose.to_frame(case.stage)  # type: ignore[arg-type]  # that is the point


def test_both_channels_are_in_one_table() -> None:
    pytest.importorskip("pandas")
    session = Path(__file__).resolve().parents[3] / "examples" / "session" / "hall-session.yaml"
    case = diagnose.load_case(session)
    frame = case.to_frame()
    assert set(frame["channel"]) == {"left", "right"}
    assert len(frame) == sum(len(read) for _, read in case.channels)


def test_without_pandas_the_message_is_the_command(
    answer: diagnose.Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(diagnose.InputError, match="pip install") as stop:
        answer.to_frame()
    assert "[notebook]" in str(stop.value)

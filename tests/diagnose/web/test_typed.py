"""A sheet as it is typed, to the case file and back, whatever is typed.

The outside truth is the loader of case files: what the page writes must load as what was opened.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.sections import SECTIONS
from diagnose.web.checked import check
from diagnose.web.opened import from_file
from diagnose.web.sheet import Entry, Limit, Point, Typed, from_page, to_page
from diagnose.web.written import written

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
CASES = [*sorted((ROOT / "examples").glob("*.yaml")), DATA / "sheet.yaml", DATA / "slow.yaml"]
TWO = """\
case: Hall amplifier, right side dull
stage: phono-two-transistor
channels:
  left: {readings: [{quantity: gain, frequency: 1 kHz, value: 35.5 dB},
    {quantity: riaa deviation, points: {50 Hz: 0.1 dB, 10 kHz: 0.2 dB}}]}
  right: {readings: [{quantity: riaa deviation, points: {10 kHz: -3 dB, 20 kHz: -6 dB}},
    {quantity: noise, value: 19 uV}]}
suspect: right
"""


def reopened(path: Path, folder: Path) -> Case:
    """The case that the page writes for a file, from a folder with what that names."""
    for beside in (*path.parent.glob("*.csv"), *path.parent.glob("small.yaml")):
        (folder / beside.name).write_bytes(beside.read_bytes())
    made = folder / path.name
    made.write_text(written(from_file(path.read_text(encoding="utf-8"), path.name)).text,
                    encoding="utf-8")
    return load_case(made)


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_a_case_that_was_opened_is_written_as_the_same_case(path: Path, tmp_path: Path) -> None:
    before, after = load_case(path), reopened(path, tmp_path)
    assert after == before
    assert [m.uncertainty for m in after.readings] == [m.uncertainty for m in before.readings]


def test_two_channels_share_their_rows_and_come_apart_again(tmp_path: Path) -> None:
    sheet = from_file(TWO, "two.yaml")
    assert [e.quantity for e in sheet.readings] == ["gain", "riaa deviation", "noise"]
    assert [e.values for e in sheet.readings] == [("35.5 dB", ""), ("", ""), ("", "19 uV")]
    assert sheet.readings[1].points == (
        Point("50 Hz", ("0.1 dB", "")), Point("10 kHz", ("0.2 dB", "-3 dB")),
        Point("20 Hz".replace("Hz", "kHz"), ("", "-6 dB")),
    )
    path = tmp_path / "two.yaml"
    path.write_text(TWO, encoding="utf-8")
    before = load_case(path)
    path.write_text(written(sheet).text, encoding="utf-8")
    after = load_case(path)
    assert {n: set(r) for n, r in after.channels} == {n: set(r) for n, r in before.channels}
    assert after.suspect == "right"


def test_sections_without_fields_and_the_lines_above_stay(tmp_path: Path) -> None:
    text = ("# Hall, third row of the balcony.\ncase: x\nstage: phono-opamp\nwarranty:\n"
            "  until: 1974  # stamped\nmains: 50 Hz\n")
    again = written(from_file(text, "x.yaml")).text
    assert again.startswith("# Hall, third row of the balcony.\n")
    assert "warranty:\n  until: 1974  # stamped\n" in again


TYPED = st.text(max_size=12)
WORDS = st.text("abcdefghijklmnop 0123456789.-%Ω:,{}[]#\"'&*!|>@`", max_size=12)
ENTRY = st.builds(
    Entry, quantity=WORDS, conditions=st.lists(st.tuples(st.sampled_from(
        ["at", "frequency", "between", "band", "load"]), TYPED), max_size=2).map(
            lambda pairs: tuple(dict(pairs).items())),
    source=st.sampled_from(["value", "points", "file"]), values=st.tuples(TYPED),
    points=st.lists(st.builds(Point, WORDS, st.tuples(TYPED)), max_size=2).map(tuple),
    uncertainty=TYPED, note=TYPED, expected=TYPED,
)
SHEET = st.builds(
    Typed, stage=st.just("phono-opamp"), case=TYPED, mains=TYPED,
    values=st.lists(st.tuples(WORDS, TYPED), max_size=2).map(lambda p: tuple(dict(p).items())),
    readings=st.lists(ENTRY, max_size=3).map(tuple),
    limits=st.lists(st.builds(Limit, WORDS, st.just(()), st.just((("max", "3 dB"),))),
                    max_size=2).map(tuple),
    rows=st.fixed_dictionaries({name: st.lists(st.fixed_dictionaries(
        {column.word: WORDS if column.part else TYPED for column in section.columns}
    ), max_size=2).map(tuple) for name, section in SECTIONS.items()}),
    observations=st.lists(TYPED, max_size=2).map(tuple),
)


@pytest.mark.slow
@settings(max_examples=80, deadline=None)
@given(SHEET)
def test_whatever_is_typed_the_file_stays_one_that_opens_with_it(sheet: Typed) -> None:
    sent = from_page(json.loads(json.dumps(to_page(sheet))))
    again = from_file(written(sent).text, "again.yaml")
    assert (again.case, again.mains) == (sent.case, sent.mains)
    assert dict(again.values) == {part: v for part, v in sent.values if part and v}
    kept = [e for e in sent.readings if e.quantity]
    assert [(e.quantity, e.values) for e in again.readings if e.source == "value"] == [
        (e.quantity, e.values) for e in kept if e.source == "value"
    ]
    points = [[p for e in some if e.source == "points" for p in e.points]
              for some in (kept, again.readings)]
    assert sorted(p.at + p.values[0] for p in points[1]) == sorted(
        p.at + p.values[0] for p in points[0] if p.at or p.values[0])


@settings(max_examples=12, deadline=None)
@given(SHEET)
def test_whatever_is_typed_the_loader_says_what_is_wrong_with_it(
    tmp_path_factory: pytest.TempPathFactory, sheet: Typed
) -> None:
    sent = from_page(json.loads(json.dumps(to_page(sheet))))
    checked = check(sent, tmp_path_factory.mktemp("typed"))
    assert checked.case is not None or checked.problems


@pytest.mark.parametrize("sent", [
    None, [], "x", {"readings": "no"}, {"readings": [3]}, {"channels": ["only one"]},
    {"case": "x" * 5000}, {"readings": [{}] * 1000}, {"values": [["a", "b", "c"]]},
    {"readings": [{"source": "pickle"}]}, {"case": {"nested": "object"}},
])
def test_what_is_no_sheet_is_refused(sent: object) -> None:
    with pytest.raises(InputError):
        from_page(sent)


def test_an_open_resistance_and_a_bound_are_understood(tmp_path: Path) -> None:
    """20 Mohm is what a hand meter shows at most; a range on the reading says another."""
    text = """stage: phono-two-transistor
readings:
  - {quantity: resistance, between: [c1, "0"], value: OL}
  - {quantity: resistance, between: [c2, "0"], value: open, range: 2 Mohm}
  - {quantity: noise, value: "< 3 uV"}
"""
    found = check(from_file(text, "x"), tmp_path)
    assert not found.problems
    assert dict(found.understood) == {
        "readings/0/values/0": "> 20 MΩ", "readings/1/values/0": "> 2 MΩ",
        "readings/2/values/0": "< 3 µV",
    }


def test_every_mistake_is_told_beside_its_own_field(tmp_path: Path) -> None:
    sheet = from_file((ROOT / "examples" / "hall-record-hum.yaml").read_text(encoding="utf-8"), "x")
    rows = list(sheet.readings)
    rows[0] = replace(rows[0], values=("1.49 ohm",))
    rows[2] = replace(rows[2], conditions=(("at", "nowhere"),))
    points = list(rows[6].points)
    points[3] = Point("100 Hz", ("three",))
    rows[6] = replace(rows[6], points=tuple(points))
    sheet = replace(sheet, readings=tuple(rows), mains="fifty", values=(("C3", "12 V"),),
                    rows={"checks": ({"part": "C99", "found": "good", "how": ""},)},
                    limits=(replace(sheet.limits[0], figures=(("min", "3 V"),)),))
    found = check(sheet, tmp_path)
    assert {p.field for p in found.problems} == {
        "readings/0/values/0", "readings/2/at", "readings/6/points/3/0", "mains", "values/C3",
        "checks/0/part", "limits/0/min",
    }
    assert all("\n" not in p.text for p in found.problems)
    # what is right is understood all the same
    assert found.case is not None
    assert dict(found.understood)["readings/5/values/0"] == "35.50 dB"

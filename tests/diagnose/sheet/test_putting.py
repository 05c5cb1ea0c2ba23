"""Readings put into a sheet that somebody wrote: every other character stays.

Outside: the loader of sheets, which knows nothing of how a value was put there, and `difflib` of
the standard library, which tells what changed of a text.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.sheet.case import load_case
from diagnose.sheet.putting import put, put_and_save, rows

SHEET = """\
# what I heard: hum   (keep this)
case: "Hall, left"
stage: phono-two-transistor
readings:
  - {quantity: dc voltage, at: c1, value: }  # Q1 collector
  - {quantity: dc voltage,   at: e1,value: 0.61 V}
  # a line between
  - quantity: dc voltage
    at: c2
    value:          # in a block
  - {quantity: resistance, between: [e1, "0"]}
  - {quantity: response, reference: 1 kHz, points: {20 Hz: , 10 kHz: -13.6 dB}}
limits: []
"""


def changed(before: str, after: str) -> list[str]:
    return [line for line in difflib.ndiff(before.splitlines(), after.splitlines())
            if line[0] in "+-"]


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET, encoding="utf-8")
    return path


def value_of(path: Path, reading: Reading, side: str = "") -> tuple[str, float]:
    case = load_case(path)
    read = dict(case.channels)[side] if side else case.readings
    (found,) = [m for m in read if m.reading == reading]
    return found.bound, found.value


def test_rows_are_told_with_and_without_value() -> None:
    stage = load_stage("phono-two-transistor")
    told = [(r.reading.quantity, r.reading.at, r.value) for r in rows(SHEET, stage)]
    assert told == [("dc voltage", "c1", ""), ("dc voltage", "e1", "0.61 V"),
                    ("dc voltage", "c2", ""), ("resistance", "", ""),
                    ("response", "", ""), ("response", "", "-13.6 dB")]


def test_the_points_of_a_row_are_filled_one_by_one() -> None:
    stage = load_stage("output-complementary")
    text = ("readings:\n"
            "  - {quantity: response, reference: 1 kHz, points: {20 Hz: , 10 kHz: }}  # by card\n"
            "  - quantity: thd\n    frequency: 1 kHz\n    points:\n      1 W:\n      20 W: 0.1 %\n")
    told = [(r.reading.label(), r.value) for r in rows(text, stage)]
    assert told == [("response at 20 Hz", ""), ("response at 10 kHz", ""),
                    ("thd at 1 kHz, 1 W", ""), ("thd at 1 kHz, 20 W", "0.1 %")]
    first, second = (r.reading for r in rows(text, stage)[:2])
    # the load of the card goes into the row once, for all its points
    made = put(text, stage, first, "-1.5 dB", beside=(("load", "10 kohm"),))
    loaded = replace(second, load=1e4)
    assert [r.reading for r in rows(made, stage)][1].key() == loaded.key()
    made = put(made, stage, loaded, "-2.5 dB")
    made = put(made, stage, Reading("thd", frequency=1e3, level=("power", 1.0)), "0.2 %")
    assert made == text.replace("20 Hz: , 10 kHz: }", "20 Hz: -1.5 dB, 10 kHz: -2.5 dB}, "
                                "load: 10 kohm").replace("1 W:\n", "1 W: 0.2 %\n")
    with pytest.raises(InputError, match="already"):
        put(made, stage, loaded, "-3 dB")
    assert "10 kHz: -3 dB}" in put(made, stage, loaded, "-3 dB", over=True)


@pytest.mark.parametrize("at", ["c1", "c2"])
def test_a_value_goes_into_its_row_and_nowhere_else(sheet: Path, at: str) -> None:
    reading = Reading("dc voltage", at=at)
    put_and_save(sheet, reading, "1.392 V")
    assert value_of(sheet, reading) == ("", 1.392)
    after = sheet.read_text(encoding="utf-8")
    was, now = (line[2:] for line in changed(SHEET, after) if line[0] in "+-")
    assert "value:" in was
    assert [now[i:j] for tag, _, _, i, j in
            difflib.SequenceMatcher(None, was, now, autojunk=False).get_opcodes()
            if tag != "equal"] in (["1.392 V"], [" 1.392 V"])
    assert now.partition("#")[2] == was.partition("#")[2]


def test_a_bound_and_a_range_beside(sheet: Path) -> None:
    reading = Reading("resistance", between=("e1", "0"))
    put_and_save(sheet, reading, "OL", beside=[("range", "50 Mohm")])
    assert value_of(sheet, reading) == (">", 50e6)
    put_and_save(sheet, reading, "> 100 Mohm", over=True, beside=[("range", "100 Mohm")])
    assert value_of(sheet, reading) == (">", 100e6)


def test_a_reading_without_a_row_gets_one(sheet: Path) -> None:
    reading = Reading("dc voltage", at="b1", origin="e2")
    put_and_save(sheet, reading, "0.58 V", note="asked for by next")
    assert value_of(sheet, reading) == ("", 0.58)
    assert changed(SHEET, sheet.read_text(encoding="utf-8")) == [
        "+   - {quantity: dc voltage, at: b1, from: e2, value: 0.58 V}  # asked for by next"]


def test_a_value_that_stands_is_kept(sheet: Path) -> None:
    with pytest.raises(InputError, match=r"is 0\.61 V on this sheet already"):
        put_and_save(sheet, Reading("dc voltage", at="e1"), "0.7 V")
    assert sheet.read_text(encoding="utf-8") == SHEET


def test_a_value_that_could_not_be_read_leaves_the_file(sheet: Path) -> None:
    with pytest.raises(InputError, match="plausible"):
        put_and_save(sheet, Reading("dc voltage", at="c1"), "9e37 V")
    assert sheet.read_text(encoding="utf-8") == SHEET


@pytest.mark.parametrize("readings", ["readings: []\n", "readings:\n", ""])
def test_the_first_row_of_a_sheet(tmp_path: Path, readings: str) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(f"stage: phono-two-transistor\n{readings}mains: 50 Hz\n", encoding="utf-8")
    put_and_save(path, Reading("dc voltage", at="c1"), "1.4 V")
    assert value_of(path, Reading("dc voltage", at="c1")) == ("", 1.4)


def test_two_channels(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(
        "stage: phono-two-transistor\nsuspect: right\nchannels:\n  left:\n    readings:\n"
        "      - {quantity: dc voltage, at: c1, value: }\n  right:\n    readings: []\n",
        encoding="utf-8")
    reading = Reading("dc voltage", at="c1")
    put_and_save(path, reading, "1.4 V", "left")
    put_and_save(path, reading, "11 V", "right")
    assert value_of(path, reading, "left") == ("", 1.4)
    assert value_of(path, reading, "right") == ("", 11.0)


def test_marks_and_line_ends_of_another_system_stay(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    body = b"\xef\xbb\xbf" + SHEET.replace("\n", "\r\n").encode()
    path.write_bytes(body)
    path.chmod(0o640)
    put_and_save(path, Reading("dc voltage", at="c1"), "1.4 V")
    put_and_save(path, Reading("dc voltage", at="b1"), "1.1 V")
    after = path.read_bytes()
    assert after.startswith(b"\xef\xbb\xbf")
    assert after.count(b"\n") == after.count(b"\r\n") == body.count(b"\n") + 1
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("stage,phono-two-transistor\n", encoding="utf-8")
    with pytest.raises(InputError, match="this is a table"):
        put_and_save(path, Reading("dc voltage", at="c1"), "1.4 V")


def test_a_sheet_changed_by_another_hand_is_not_overwritten(sheet: Path) -> None:
    from diagnose.sheet.putting import save

    made = put(SHEET, load_stage("phono-two-transistor"), Reading("dc voltage", at="c1"), "1.4 V")
    sheet.write_text(SHEET + "# more\n", encoding="utf-8")
    with pytest.raises(InputError, match="changed meanwhile"):
        save(sheet, made, SHEET)
    assert sheet.read_text(encoding="utf-8") == SHEET + "# more\n"

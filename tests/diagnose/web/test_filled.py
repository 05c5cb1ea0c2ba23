"""What a file gives goes into the rows that stand there, of the channel that it is of.

What belongs together is a fact of the trade: 1000 Hz is 1 kHz, a level set by eye is the same level
within 1 dB (common practice), and a heading's unit holds for the column below it.
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any, cast

import pytest

from diagnose.web.app import make_app
from diagnose.web.filled import fill
from diagnose.web.sheet import Entry, Point, Typed, to_page
from diagnose.web.tables import look
from diagnose.web.tasks import recorded
from tests.recordings import noise, tones, write

THD = Entry("thd", (("frequency", "1 kHz"), ("output level", "1 V")))
HUM = Entry("hum", source="points", values=("",),
            points=(Point("50 Hz", ("",)), Point("100 Hz", ("40 uV",))))


def read(quantity: str, value: str, **conditions: str) -> Entry:
    return Entry(quantity, tuple((k.replace("_", " "), v) for k, v in conditions.items()),
                 values=(value,))


def test_rows_that_stand_there_are_filled_and_only_the_rest_is_added() -> None:
    sheet = Typed("x", readings=(THD, HUM))
    made = fill(sheet, [
        read("thd", "0.2 %", output_level="0.95 V", frequency="1000 Hz"),
        read("hum", "1 mV", frequency="50 Hz"), read("noise", "9 uV", weighting="A"),
    ], ())
    assert (made.filled, made.added, made.kept) == (2, 1, ())
    assert [e.quantity for e in made.sheet.readings] == ["thd", "hum", "noise"]
    assert made.sheet.readings[0].values == ("0.2 %",)
    assert made.sheet.readings[0].conditions == (
        ("frequency", "1 kHz"), ("output level", "0.95 V"))  # what it was read at
    assert made.sheet.readings[1].points[0].values == ("1 mV",)


def test_another_level_or_frequency_is_another_reading() -> None:
    made = fill(Typed("x", readings=(THD,)), [
        read("thd", "0.2 %", frequency="1 kHz", output_level="2 V"),
        read("thd", "0.3 %", frequency="10 kHz", output_level="1 V"),
    ], ())
    assert (made.filled, made.added) == (0, 2)
    assert made.sheet.readings[0].values == ("",)
    # channels read at levels of their own, 0.9 dB apart, are no reading of one level
    two = Typed("x", channels=("left", "right"), suspect="left")
    given = [Entry("thd", (("output level", level),), values=values) for level, values in (
        ("1 V", ("1 %", "")), ("0.9 V", ("", "2 %")))]
    made = fill(two, given, ("left", "right"))
    assert (made.filled, made.added) == (0, 2)
    assert [e.values for e in made.sheet.readings] == [("1 %", ""), ("", "2 %")]


def test_what_was_typed_is_kept_and_told_until_it_is_given_up() -> None:
    sheet = Typed("x", readings=(HUM,))
    given = [read("hum", "50 uV", frequency="100 Hz")]
    made = fill(sheet, given, ())
    assert made.kept == (("hum at 100 Hz", "40 uV", "50 uV"),)
    assert made.sheet.readings == sheet.readings
    over = fill(sheet, given, (), over=True)
    assert over.sheet.readings[0].points[1].values == ("50 uV",)
    assert fill(over.sheet, given, ()).kept == ()  # the same value is no clash


def test_two_channels_go_by_their_names_and_make_a_sheet_of_two() -> None:
    one = Typed("x", readings=(Entry("gain", (("frequency", "1 kHz"),), values=("35 dB",)),))
    both = Entry("gain", (("frequency", "1 kHz"),), values=("34 dB", "28 dB"))
    made = fill(one, [both], ("left", "right"), own="right")
    # what stood on the sheet is of the right channel, and says something else than the file
    assert made.sheet.channels == ("left", "right")
    assert made.sheet.suspect == "right"
    assert made.sheet.readings[0].values == ("34 dB", "35 dB")
    assert made.kept == (("gain 1 kHz right", "35 dB", "28 dB"),)
    two = Typed("x", channels=("right", "left"), readings=())
    assert fill(two, [both], ("left", "right")).sheet.readings[0].values == ("28 dB", "34 dB")


def test_one_channel_is_of_the_one_that_is_chosen_or_under_suspicion() -> None:
    two = Typed("x", channels=("left", "right"), suspect="right",
                readings=(Entry("noise", values=("", "")),))
    given = [read("noise", "9 uV")]
    assert fill(two, given, ()).sheet.readings[0].values == ("", "9 uV")
    assert fill(two, given, (), own="left").sheet.readings[0].values == ("9 uV", "")


def test_the_files_of_both_channels_stand_in_one_row() -> None:
    two = Typed("x", channels=("left", "right"), suspect="left",
                readings=(Entry("response", (("reference", "1 kHz"),), "points", ("", ""),
                                (Point("20 Hz", ("", "")),)),))
    sweep = [Entry("response", (("reference", "1000 Hz"),), "file", ("l.csv",))]
    made = fill(two, sweep, (), own="left").sheet
    assert (made.readings[0].source, made.readings[0].values) == ("file", ("l.csv", ""))
    right = [Entry("response", (("reference", "1 kHz"),), "file", ("r.csv",))]
    made = fill(made, right, (), own="right").sheet
    assert [e.values for e in made.readings] == [("l.csv", "r.csv")]


@pytest.mark.parametrize(("heads", "quantity", "relative"), [
    ("Frequency (Hz);Level (dBV)", "response", True), ("f;Output (V)", "response", True),
    ("Frequency;RIAA error (dB)", "riaa deviation", False), ("Hz;Phase (deg)", "phase", False),
    ("Frequency (Hz);THD+N (%)", "thd+n", False), ("Hz;dB", "", False),
    ("Hz;Gain (dB)", "gain", False),
])
def test_a_heading_is_believed(heads: str, quantity: str, relative: bool, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(heads + "\n20;1.5\n1000;2.5\n", encoding="utf-8")
    seen = look(path)
    assert seen.quantities == (quantity,)
    assert ("relative" in seen.said[0]) == relative


def test_both_channels_of_a_table_fill_the_points_that_stand_there(tmp_path: Path) -> None:
    """A level in dBV is taken relative to that at 1 kHz: -40 less -38 dBV are -2 dB."""
    client = make_app(tmp_path / "sheets", workers=0, cached=False).test_client()
    made = client.post("/sheets/open", data={"files": [
        (io.BytesIO(b"stage: phono-two-transistor\nreadings: []\n"), "case.yaml")]})
    name = made.json["sheet"]
    points = tuple(Point(at, ("", "")) for at in ("20 Hz", "1 kHz"))
    sheet = Typed("phono-two-transistor", channels=("left", "right"), suspect="left", readings=(
        Entry("response", (("reference", "1 kHz"),), "points", ("", ""), points),))
    table = b"Frequency (kHz);Left (dBV);Right (dBV)\n0.02;-40;-39\n1;-38;-38\n10;-38.5;-37\n"
    asked = {"sheet": to_page(sheet), "quantity": "response", "column": None}
    answer = client.post(f"/sheet/{name}/table", data={
        "file": (io.BytesIO(table), "t.csv"), "asked": json.dumps(asked)})
    assert answer.status_code == 200, answer.text
    (row,) = answer.json["readings"]
    assert [(p["at"], p["values"]) for p in row["points"]] == [
        ("20 Hz", ["-2 dB", "-1 dB"]), ("1 kHz", ["0 dB", "0 dB"]), ("10 kHz", ["-0.5 dB", "1 dB"])]
    assert (answer.json["filled"], answer.json["added"]) == (4, 2)


def test_the_page_tells_no_options_of_the_command(tmp_path: Path) -> None:
    hum = tones({60.02: 1e-3, 180.06: 3e-4}) + noise(1e-5)
    path = write(tmp_path / "hum.wav", hum)
    _, notes = recorded(cast("Any", None), lambda *told: None, str(path), "", "", "", 50.0)
    assert any("say mains 60 Hz" in note for note in notes)
    assert not any("--" in note for note in notes)

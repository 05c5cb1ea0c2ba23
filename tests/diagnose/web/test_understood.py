"""What was understood stands beside a field where it is not what was typed, and only there.

What a code means is that of IEC 60062 (``3k3``), what a prefix means that of the SI brochure; 0 dBV
is 1 V. That a unit beside a field goes without saying in it is common practice.
"""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from diagnose.web.app import make_app
from diagnose.web.checked import check
from diagnose.web.opened import from_file
from diagnose.web.places import place, slug
from diagnose.web.understood import same
from diagnose.web.written import written

SHEET = """\
stage: phono-two-transistor
mains: 50
values: {R3: 220k, R4: 2.2 kohm, C3: 220 nF}
readings:
  - {quantity: dc voltage, at: c1, value: 3k3}
  - {quantity: dc voltage, at: e1, value: 0.201 V, photo: meter.jpg}  # wobbles
  - {quantity: dc voltage, at: c2, value: "10.8", expected: 10v5}
  - {quantity: gain, frequency: 1k, value: 120 dB}
  - {quantity: hum, frequency: 100 Hz, value: -60 dBV}
  - {quantity: noise, value: "< 3 uV"}
  - {quantity: dc voltage, at: vd, value: 24 ohm}
  - {quantity: riaa deviation, points: {20: -1, 20 kHz: 0.5 dB}}
limits:
  - {quantity: noise, max: -80 dBV}
  - {quantity: gain, frequency: 1 kHz, min: 34}
"""


def test_each_field_by_itself(tmp_path: Path) -> None:
    found = check(from_file(SHEET, "x"), tmp_path)
    assert dict(found.differing) == {
        "mains": "50 Hz", "values/R3": "220 kΩ", "readings/0/values/0": "3.3 kV",
        "readings/3/frequency": "1 kHz", "readings/4/values/0": "1 mV",
        "readings/7/points/0/at": "20 Hz", "limits/0/max": "100 µV",
    }
    # a mistake is told as one, and what is beyond the stage is asked about and weighed all the same
    assert {p.field for p in found.problems} == {"readings/6/values/0", "readings/2/expected"}
    assert {field for field, _ in found.doubted} == {
        "readings/0/values/0", "readings/3/values/0", "values/C3"}
    assert found.case is not None
    assert max(m.value for m in found.case.readings) == 3300.0


@pytest.mark.parametrize(("typed", "said", "unit", "alike"), [
    ("1.49", "1.49 V", "V", True), ("1.49", "1.49 V", "", False), ("1490 mV", "1.49 V", "V", True),
    ("1,49 V rms", "1.49 V", "V", True), ("3 uF", "3 µF", "", True), ("33uf", "33 µF", "", True),
    ("4.7 kohm", "4.7 kΩ", "ohm", True), ("4k7", "4.7 kΩ", "ohm", False),
    ("22M", "22 MΩ", "ohm", False), ("10 m", "10 mV", "V", False), ("2 W", "4 V", "V", False),
    ("-38 dBV", "12.59 mV", "V", False), ("0.1 %", "-60 dB", "dB", False),
    ("OL", "> 20 MΩ", "ohm", False), ("< 3 uV", "< 3 µV", "V", True), ("-12°", "-12°", "deg", True),
])
def test_what_anybody_would_read_there_is_not_repeated(
    typed: str, said: str, unit: str, alike: bool
) -> None:
    assert same(typed, said, unit) is alike


def test_fields_have_names_and_places_on_the_page() -> None:
    sheet = from_file(SHEET, "x")
    assert place(sheet, "readings/0/values/0") == "dc voltage c1"
    assert place(sheet, "readings/7/points/1/0") == "riaa deviation at 20 kHz"
    assert place(sheet, "values/R3") == "value of R3"
    assert place(sheet, "") == ""
    assert slug("readings/7/points/1/0") == "f-readings-7-points-1-0"


def test_note_and_photo_of_a_reading_are_kept(tmp_path: Path) -> None:
    sheet = from_file(SHEET, "x")
    again = from_file(written(sheet).text, "x").readings[1]
    assert (again.note, again.photo) == ("wobbles", "meter.jpg")
    two = from_file("stage: filter-low\nchannels:\n  left:\n    readings:\n"
                    "      - {quantity: noise, value: 9 uV}  # hisses\n  right:\n    readings:\n"
                    "      - {quantity: noise, value: 2 uV}  # as new\n", "x")
    assert two.readings[0].note == "hisses; as new"
    assert from_file(written(two).text, "x").readings[0].note == "hisses; as new"


def test_a_photo_is_kept_beside_its_sheet_and_nothing_else_is(tmp_path: Path) -> None:
    """A JPEG file begins with FF D8 FF (ITU-T T.81)."""
    client = make_app(tmp_path / "sheets", workers=0, cached=False).test_client()
    made = client.post("/sheets/open", data={"files": [(io.BytesIO(SHEET.encode()), "case.yaml")]})
    sheet = f"/sheet/{made.json['sheet']}"
    body = b"\xff\xd8\xff\xe0 and so on"
    kept = client.post(f"{sheet}/photo", data={"file": (io.BytesIO(body), "../my meter.png")})
    assert kept.json == {"photo": "my-meter.jpg"}
    shown = client.get(f"{sheet}/photo/my-meter.jpg")
    assert (shown.data, shown.mimetype) == (body, "image/jpeg")
    refused = client.post(f"{sheet}/photo", data={"file": (io.BytesIO(b"<svg/>"), "x.jpg")})
    assert refused.status_code == 422
    for other in ("sheet.yaml", "revision.json", "..%2fsheet.yaml"):
        assert client.get(f"{sheet}/photo/{other}").status_code in (404, 422)
    # the mistakes of a sheet that is to be ranked lead to their fields
    told = client.post(f"{sheet}/rank").json
    assert ("dc voltage vd", "f-readings-6-values-0") in [
        (p["where"], p["field"]) for p in told["problems"]]

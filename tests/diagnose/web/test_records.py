"""The record of a job among what the page keeps of a sheet as it stands."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from circuits.errors import InputError
from diagnose.sheet.case import load_case
from diagnose.web.app import make_app
from diagnose.web.opened import from_file
from diagnose.web.papers import filled
from diagnose.web.records import record_of, with_record
from diagnose.web.sheet import to_page
from diagnose.web.written import written

DATA = Path(__file__).resolve().parents[2] / "data"
SHEET = """\
stage: coupling.yaml
age: 50  # years
record:
  unit: old
  # not legible
  parts: [one, two]
devices: {}
readings:
  - {quantity: gain, frequency: 10 Hz, value: }
"""


def test_a_record_takes_the_place_of_the_one_before_and_nothing_else_goes() -> None:
    sheet = from_file(SHEET, "sheet.yaml")
    assert record_of(sheet).of("unit") == "old"
    made = with_record(sheet, {"unit": "new: one", "parts": "C1\n\n  R1 10 k \n", "cause": None})
    # the general-purpose reader of YAML
    read = yaml.safe_load(written(made).text)
    assert read["record"] == {"unit": "new: one", "parts": ["C1", "R1 10 k"]}
    assert read["age"] == 50
    assert read["devices"] == {}
    emptied = with_record(made, {})
    assert "record" not in yaml.safe_load(written(emptied).text)
    assert record_of(emptied).lines == []


@pytest.mark.parametrize("sent", [{"unit": 7}, {"unit": "x" * 2001}, {"parts": ["C1"]},
                                  {"parts": "C1\n" * 101}])
def test_what_is_no_record_is_refused(sent: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        with_record(from_file(SHEET, "sheet.yaml"), sent)


def test_signs_that_nobody_sees_do_not_break_the_file() -> None:
    made = with_record(from_file(SHEET, "s"), {"unit": "a\x00b\u2028c\ud800"})
    assert yaml.safe_load(written(made).text)["record"]["unit"].startswith("a b c")


def test_it_is_kept_whatever_is_saved_of_the_sheet_afterwards(tmp_path: Path) -> None:
    client = make_app(tmp_path, 0, cached=False).test_client()
    with (DATA / "coupling-dry.yaml").open("rb") as one, (DATA / "coupling.yaml").open("rb") as two:
        name = client.post("/sheets/open", data={"files": [one, two]}).get_json()["sheet"]
    old = client.get(f"/sheet/{name}/data").get_json()
    kept = client.put(f"/sheet/{name}/record", json={"serial": "0042", "complaint": "thin: very"})
    assert kept.status_code == 200
    # a page that was open before does not know of it
    assert client.put(f"/sheet/{name}/data", json=old).status_code in (200, 409)
    now = client.get(f"/sheet/{name}/data").get_json()
    now["sheet"]["case"] = "another name"
    assert client.put(f"/sheet/{name}/data", json=now).status_code == 200
    record = load_case(tmp_path / name / "sheet.yaml").record
    assert (record.of("serial"), record.of("complaint")) == ("0042", "thin: very")
    page = client.get(f"/sheet/{name}/report").get_data(as_text=True)
    assert 'value="0042"' in page
    assert client.put(f"/sheet/{name}/record", json=["serial"]).status_code == 422


def test_a_sheet_without_values_loads_as_a_whole_for_its_paper() -> None:
    sheet = from_file(SHEET + "  - {quantity: gain, points: {20 Hz: , 1 kHz: 0 dB}}\n", "s")
    read = yaml.safe_load(written(filled(sheet)).text)["readings"]
    assert all(str(entry.get("value", "1")) for entry in read)
    assert [str(v) for v in read[1]["points"].values()] == ["1", "0 dB"]
    # and is left as it was
    assert to_page(sheet)["readings"][0]["values"] == ("",)

"""The record of a job in a case file: YAML, a table, and mistakes in either."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from circuits.errors import InputError
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.record import FIELDS, record_text

ROOT = Path(__file__).resolve().parents[3]
STAGE = ROOT / "tests" / "data" / "coupling.yaml"
WORDS = "Sounds thin: \"like a telephone\", says the caretaker # since spring"


def case(tmp_path: Path, more: str) -> Case:
    path = tmp_path / "sheet.yaml"
    path.write_text(f"stage: {STAGE}\n{more}", encoding="utf-8")
    return load_case(path)


def test_what_is_written_is_what_any_reader_of_yaml_reads(tmp_path: Path) -> None:
    said = {f.word: f"{f.label}, 1: ä & {k}" for k, f in enumerate(FIELDS)} | {"complaint": WORDS}
    parts = ("C1 10 µF 63 V", "[R1]: 10 k, 1 %", "J2 cleaned")
    text = record_text(said, parts)
    # the general-purpose reader of YAML
    assert yaml.safe_load(text) == {"record": {**said, "parts": [*parts]}}
    record = case(tmp_path, text).record
    assert {f.word: record.of(f.word) for f in FIELDS} == said
    assert record.parts == parts
    assert [field.word for field, _ in record.lines] == [f.word for f in FIELDS]


def test_nothing_written_is_no_section() -> None:
    assert record_text({"unit": ""}, ()) == ""


def test_a_table_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(f'stage,{STAGE}\nrecord,serial,0042\nrecord,complaint,"thin, hums"\n'
                    "record,parts,C1 10 uF\nrecord,parts,R1 10 k\nquantity,frequency,value\n"
                    "gain,10 Hz,-5.48 dB\n", encoding="utf-8")
    record = load_case(path).record
    assert record.of("serial") == "0042"
    assert record.of("complaint") == "thin, hums"
    assert record.parts == ("C1 10 uF", "R1 10 k")


@pytest.mark.parametrize(("text", "told"), [
    ("record: {serial number: 12}", "serial"),
    ("record: [a]", "record"),
    ("record: {parts: C1}", "parts"),
])
def test_a_mistake_is_told_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as raised:
        case(tmp_path, text)
    assert raised.value.place is not None
    assert raised.value.place.line == 2


def test_it_is_not_weighed(tmp_path: Path) -> None:
    first, second = (case(tmp_path, text) for text in ("", "record: {unit: 7}"))
    assert first.stage == second.stage
    assert first.readings == second.readings

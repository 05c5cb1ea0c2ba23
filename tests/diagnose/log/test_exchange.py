"""A log handed from shop to shop: whole in either form, and what is no log is told by its line."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from diagnose.log.entry import Entry, plain
from diagnose.log.exchange import FORMATS, export, read_log
from diagnose.log.service import Service
from tests.diagnose.log.jobs import ENTRIES, job


@pytest.mark.parametrize("form", FORMATS)
@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(entries=st.lists(ENTRIES, max_size=4))
def test_what_is_handed_on_comes_back_as_it_was(
    tmp_path: Path, form: str, entries: list[Entry]
) -> None:
    path = tmp_path / f"log{form}"
    path.unlink(missing_ok=True)
    assert export(path, entries) == len(entries)
    assert list(read_log(path)) == entries


def test_any_reader_of_json_and_of_tables_reads_it(tmp_path: Path) -> None:
    """The standard library's own readers, and RFC 4180 ends of lines."""
    for form in FORMATS:
        export(tmp_path / f"log{form}", [job(1), job(2)])
    lines = (tmp_path / "log.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["serial"] for line in lines] == ["no. 1", "no. 2"]
    body = (tmp_path / "log.csv").read_bytes()
    assert body.count(b"\r\n") == body.count(b"\n") == 3
    with (tmp_path / "log.csv").open(newline="", encoding="utf-8") as file:
        assert [row["serial"] for row in csv.DictReader(file)] == ["no. 1", "no. 2"]


def test_times_in_service_go_along_in_lines(tmp_path: Path) -> None:
    one = Service("00000000-0000-0000-0000-000000000009", "coupling", "w", 250.0, 1000.0, 40.0,
                  (("electrolytic", 0.024),))
    path = tmp_path / "log.jsonl"
    export(path, [job(1)], [one])
    assert list(read_log(path)) == [job(1), one]


def test_serial_numbers_and_paths_stay_at_home(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    export(path, [job(1, sheet="/home/somebody/sheet.yaml")], serials=False)
    text = path.read_text(encoding="utf-8")
    assert "no. 1" not in text
    assert "somebody" not in text
    assert "job 1" not in text  # cases are named after customers


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text("mine\n", encoding="utf-8")
    with pytest.raises(InputError, match="exists"):
        export(path, [job(1)])
    assert path.read_text(encoding="utf-8") == "mine\n"
    with pytest.raises(InputError, match="ends in"):
        export(tmp_path / "log.txt", [])
    with pytest.raises(InputError, match="cannot be written"):
        export(tmp_path / "nowhere" / "log.csv", [])
    assert [p.name for p in tmp_path.iterdir()] == ["log.jsonl"]


def line(**changed: object) -> str:
    return json.dumps({**plain(job(1)), **changed})


@pytest.mark.parametrize(("text", "told"), [
    ("not json", "no JSON"),
    ("[1, 2]", "no entry"),
    ('{"entry": "case"}', "lacks"),
    ('{"entry": "case", "entry": "case"}', "twice"),
    (line(colour="red"), "no key"),
    (line(minutes="long"), "minutes"),
    (line(minutes=-1), "minutes"),
    (line(age=1e9), "age"),
    (line().replace('"age": 40.0', '"age": NaN'), "NaN"),
    (line().replace('"age": 40.0', '"age": 1e999'), "age"),
    (line().replace('"age": 40.0', f'"age": {"9" * 5000}'), "no JSON"),
    (line(proof="because"), "proof"),
    (line(finding="fault", faults=[]), "faults"),
    (line(faults=[{"part": "C1", "kind": "film"}]), "lacks"),
    (line(job="1"), "job"),
    (line(closed="yesterday"), "closed"),
    (line(revision=True), "revision"),
    (line(struck=1), "struck"),
    (line(cause="x" * 3000), "cause"),
    (line(cause="bell \x07"), "cause"),
    (line().replace('"cause": ""', '"cause": "\\ud800"'), "cause"),
    ("[" * 100_000, "no JSON"),
    (line(seen=[{"reading": "gain", "measured": None, "healthy": 0, "unit": "dB", "off": 0}]),
     "measured"),
])
def test_a_line_that_is_no_entry_is_told_with_its_place(
    tmp_path: Path, text: str, told: str
) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text(f"{line()}\n\n{text}\n", encoding="utf-8")
    with pytest.raises(InputError, match=told) as raised:
        list(read_log(path))
    assert raised.value.place is not None
    assert raised.value.place.line == 3


@pytest.mark.parametrize(("change", "told"), [
    (lambda text: text.replace("job,", "number,", 1), "number"),
    (lambda text: text.split("\r\n")[1], "heading"),
    (lambda text: text.replace("measured", "guessed"), "guessed"),
    (lambda text: text + '"open', "table"),
    (lambda text: text + "a,b\r\n", "2 cells"),
    (lambda text: "", "heading"),
])
def test_a_table_that_is_no_log_is_told(tmp_path: Path, change: object, told: str) -> None:
    export(tmp_path / "log.csv", [job(1)])
    text = (tmp_path / "log.csv").read_bytes().decode("utf-8")
    other = tmp_path / "other.csv"
    other.write_bytes(change(text).encode("utf-8"))  # type: ignore[operator]
    with pytest.raises(InputError, match=told):
        list(read_log(other))


def test_what_is_no_file_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jsonl")
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "odd.jsonl").write_bytes(b"\xff\xfe\x00")
    for name in ("pipe.jsonl", "folder.csv", "odd.jsonl", "none.jsonl", "log.txt"):
        with pytest.raises(InputError):
            list(read_log(tmp_path / name))

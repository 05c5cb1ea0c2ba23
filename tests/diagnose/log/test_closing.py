"""Closing a job: the sheet and the log say the same, and say what was found and no more."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
import yaml

import diagnose
from circuits.bench.workers import COUNT_VARIABLE
from circuits.errors import InputError
from diagnose.cli.main import main
from diagnose.log.book import Log
from diagnose.log.folder import default_log
from diagnose.log.wiring import wiring
from diagnose.sheet.case import load_case
from diagnose.sheet.record import Record
from diagnose.web.closed import write_record

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
FOUND = ("--found", "C1:capacitance loss", "--proved", "measured")


@pytest.fixture(autouse=True)
def own(
    tmp_path: Path, shared_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_SHEETS", str(tmp_path / "sheets"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


def sheet(tmp_path: Path, name: str = "sheet.yaml", more: str = "") -> Path:
    path = tmp_path / name
    text = (DATA / "coupling-dry.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("coupling.yaml", str(DATA / "coupling.yaml")) + more,
                    encoding="utf-8")
    return path


def close(path: Path, *words: str) -> None:
    assert main(["log", "close", str(path), *words]) == 0


def test_sheet_and_log_say_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = sheet(tmp_path, more="# said by phone\nrecord:\n  serial: 42  # under the lid\n")
    before = path.read_text(encoding="utf-8")
    close(path, *FOUND, "--part", "C1 10 µF", "--minutes", "45", "--proposed", "yes")
    text = path.read_text(encoding="utf-8")
    assert text.startswith(before.rstrip("\n"))  # comments and all
    said = yaml.safe_load(text)["record"]  # the general-purpose reader
    with Log(default_log()) as log:
        (entry,) = log.entries()
    assert said["job"] == entry.job
    assert (said["found"], said["proved"]) == ("C1: capacitance loss", "measured")
    assert (entry.serial, entry.minutes, entry.followed) == ("42", 45.0, True)
    assert entry.parts == tuple(said["parts"]) == ("C1 10 µF",)
    assert (entry.was, entry.right) == ("C1 capacitance loss", True)
    assert "right" in capsys.readouterr().out
    assert {s.reading: s.measured for s in entry.seen}["gain at 20 Hz"] == -2.13


def test_closing_again_is_the_same_job_and_a_copy_is_another(tmp_path: Path) -> None:
    path = sheet(tmp_path)
    close(path, *FOUND)
    close(path, "--minutes", "50")
    copy = tmp_path / "copy.yaml"
    copy.write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    close(copy)
    with Log(default_log()) as log:
        one, other = sorted(log.entries(), key=lambda e: e.revision)
        assert (one.revision, other.revision) == (1, 2)
        assert Path(one.sheet) == copy
        assert one.minutes == other.minutes == 50.0


def test_a_sheet_that_is_changed_by_hand_is_followed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = sheet(tmp_path)
    close(path, *FOUND)
    text = path.read_text(encoding="utf-8").replace('"C1: capacitance loss"', '"C1: open"')
    path.write_text(text + "  serial: 77\n", encoding="utf-8")
    later = time.time() + 60.0
    os.utime(path, (later, later))
    assert main(["log", "list"]) == 0
    told = capsys.readouterr()
    assert "C1 open" in told.out
    assert "follows its sheet" in told.err
    with Log(default_log()) as log:
        assert [(e.was, e.serial) for e in log.entries()] == [("C1 open", "77")]


REPAIRED = """
repaired:
  - part: C1
    how: replaced
    readings:
      - {{quantity: gain, frequency: 10 Hz, value: {at10}}}
      - {{quantity: gain, frequency: 20 Hz, value: {at20}}}
"""


def test_readings_after_the_repair_prove_it_or_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    right = sheet(tmp_path, more=REPAIRED.format(at10="-0.1 dB", at20="0 dB"))
    words = ("--found", "C1:capacitance loss", "--proved", "readings")
    close(right, *words)
    for path, told in (
        (sheet(tmp_path, "same.yaml", REPAIRED.format(at10="-5.48 dB", at20="-2.13 dB")),
         "do not prove"),
        (sheet(tmp_path, "none.yaml"), "no readings after"),
    ):
        before = path.read_bytes()
        assert main(["log", "close", str(path), *words]) == 2
        assert told in capsys.readouterr().err
        assert path.read_bytes() == before
    assert main(["log", "close", str(right), "--found", "R1:open", "--proved", "readings"]) == 2
    with Log(default_log()) as log:
        assert log.count() == 1


@pytest.mark.parametrize(("words", "told"), [
    ((), "--found"),
    (("--found", "C1:open"), "--proved"),
    (("--found", "C9:open", "--proved", "no"), "C9"),
    (("--found", "C1:opne", "--proved", "no"), "open"),
    (("--found", "C1", "--proved", "no"), "PART:MODE"),
    (("--not-in-library", "--proved", "no"), "--cause"),
    (("--found", "C1:open", "--proved", "no", "--minutes", "soon"), "minutes"),
    (("--found", "C1:open", "--proved", "no", "--minutes", "nan"), "minutes"),
    (("--found", "C1:open", "--nothing-wrong", "--proved", "no"), "not allowed"),
])
def test_what_cannot_be_closed_is_told_and_nothing_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    path = sheet(tmp_path)
    before = path.read_bytes()
    assert main(["log", "close", str(path), *words]) == 2
    assert told in capsys.readouterr().err
    assert path.read_bytes() == before
    if default_log().exists():
        with Log(default_log()) as log:
            assert log.count() == 0


def test_an_answer_with_a_log_says_what_it_made_of_the_priors(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = sheet(tmp_path, more="record: {serial: 42}\n")
    plain = diagnose.to_json(diagnose.rank(path))
    assert "log" not in plain
    for number in range(6):
        close(sheet(tmp_path, f"before-{number}.yaml", "record: {serial: 42}\n"),
              "--found", "C1:open", "--proved", "swapped", "--minutes", "20")
    told = diagnose.rank(path)
    assert told.log is not None
    line = next(x for x in told.log.shares if x.mode == "open")
    assert (line.number, line.of) == (6, 6)
    assert line.share == pytest.approx((10.0 * line.without + 6.0) / 16.0)
    prior = next(x for x in told.log.priors if x.mode == "capacitance loss")
    assert prior.prior < prior.without
    assert [x.was for x in told.log.like] == ["C1 open"] * 5
    assert len(told.log.earlier) == 6
    # the switch: the very answer that there was without a log
    assert diagnose.to_json(diagnose.rank(path, with_log=False)) == plain
    capsys.readouterr()
    assert main(["rank", str(path)]) == 0
    text = capsys.readouterr().out
    for words in ("without the log", "Like cases before", "This unit was here before", "20 min"):
        assert words in text
    assert main(["rank", str(path), "--without-log"]) == 0
    assert "the log" not in capsys.readouterr().out


def test_a_log_of_repairs_of_other_kinds_changes_no_digit(tmp_path: Path) -> None:
    plain = diagnose.rank(sheet(tmp_path), with_log=False)
    with Log(default_log()):
        pass
    told = diagnose.rank(sheet(tmp_path))
    assert [(s.name, s.probability) for s in told.suspects] == [
        (s.name, s.probability) for s in plain.suspects]


def test_a_damaged_log_is_left_out_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    default_log().parent.mkdir(parents=True)
    default_log().write_bytes(b"no log at all, " * 100)
    assert main(["rank", str(sheet(tmp_path))]) == 0
    assert "left out" in capsys.readouterr().out
    assert main(["log", "list"]) == 2
    assert "damaged" in capsys.readouterr().err


def test_an_answer_does_not_rest_on_what_its_own_unit_turned_out_to_be(tmp_path: Path) -> None:
    path = sheet(tmp_path)
    plain = diagnose.rank(path, with_log=False)
    close(path, *FOUND)
    told = diagnose.rank(path)
    assert told.log is not None
    assert (told.log.cases, told.log.like) == (0, ())
    assert [s.probability for s in told.suspects] == [s.probability for s in plain.suspects]


def test_the_first_answer_is_that_before_the_part_was_looked_at(tmp_path: Path) -> None:
    """A check that found the part bad is not what the first answer had."""
    checked = sheet(tmp_path, more="checks: [{part: R1, found: bad}]\n")
    close(checked, "--found", "R1:open", "--proved", "measured")
    with Log(default_log()) as log:
        (entry,) = log.entries()
    assert entry.right is False
    assert entry.suspects[0].part == "C1"


def test_a_table_is_closed_too(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(
        f'stage;{DATA / "coupling.yaml"}\r\nrecord;complaint;"thin; hums"\r\n# a remark\r\n'
        "quantity;frequency;value\r\ngain;10 Hz;-5,48 dB\r\ngain;20 Hz;-2,13 dB\r\n",
        encoding="utf-8", newline="")
    close(path, *FOUND, "--part", 'C1 "10 µF"')
    record = load_case(path).record
    assert record.of("complaint") == "thin; hums"
    assert record.of("found") == "C1: capacitance loss"
    assert record.parts == ('C1 "10 µF"',)
    assert "# a remark" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("text", [
    "stage: x\nrecord: {}\nmains: 50 Hz\n", "stage: x\nrecord:\nmains: 50 Hz\n", "stage: x\n",
    "stage: x\nrecord: {serial: 1, job: a}\nmains: 50 Hz\n", "{stage: x}\n",
    "stage: x\nrecord:\n  serial: 1\n  # keep me\n  complaint: |-\n    two\n    lines\n"
    "mains: 50 Hz\n",
    "stage: x  # no end of line",
])
def test_a_record_is_written_into_any_sheet(tmp_path: Path, text: str) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(text, encoding="utf-8")
    before = yaml.safe_load(text)
    old = {k: str(v) for k, v in (before.get("record") or {}).items() if k != "job"}
    fields = {**old, "found": "C1: open", "job": "12", "cause": 'dry: "dead" # so'}
    try:
        write_record(path, Record(tuple(fields.items()), ("C1: 10 µF", "R2")))
    except InputError:
        assert text.startswith("{")  # a sheet in braces is told of and left alone
        assert path.read_text(encoding="utf-8") == text
        return
    after = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert {k: str(v) for k, v in after["record"].items() if k != "parts"} == fields
    assert after["record"]["parts"] == ["C1: 10 µF", "R2"]
    assert {k: v for k, v in after.items() if k != "record"} == {
        k: v for k, v in before.items() if k != "record"}
    assert ("# keep me" in text) == ("# keep me" in path.read_text(encoding="utf-8"))


def test_a_stage_of_another_name_and_other_values_is_of_the_same_topology(tmp_path: Path) -> None:
    stage = diagnose.load_stage(DATA / "coupling.yaml")
    text = (DATA / "coupling.yaml").read_text(encoding="utf-8")
    other = tmp_path / "mine.yaml"
    other.write_text(text.replace("stage: coupling", "stage: mine").replace("10u", "47u"),
                     encoding="utf-8")
    assert wiring(diagnose.load_stage(other)) == wiring(stage)
    turned = text.replace("kind: metal-film", "kind: carbon-film")
    assert turned != text
    other.write_text(turned, encoding="utf-8")
    assert wiring(diagnose.load_stage(other)) != wiring(stage)

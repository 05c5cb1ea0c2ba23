"""The front door is *called*: every function, with a path, a text, plain data and the object.

The stage is a coupling capacitor into its load, whose answers are closed forms: 10 µF into 10 kohm
has its corner at 1.59 Hz, 1 µF at 15.9 Hz, a first-order high-pass.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import diagnose
from circuits.bench.workers import COUNT_VARIABLE
from diagnose.cli.main import main
from tests.recordings import tones, write

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
DRY = DATA / "coupling-dry.yaml"
COUPLING = DATA / "coupling.yaml"
READINGS: list[dict[str, object]] = [
    {"quantity": "gain", "frequency": "10 Hz", "value": "-5.48 dB"},
    {"quantity": "gain", "frequency": 20, "value": -2.13},
    {"quantity": "gain", "frequency": "1 kHz", "value": 0},
]
LIMITS = [{"quantity": "gain", "frequency": "20 Hz", "min": "-1 dB"},
          {"quantity": "gain", "frequency": "1 kHz", "within": "0.5 dB"}]
FARADS = 1e-6


@pytest.fixture(scope="module", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One store for the whole file, not the user's, and no pool."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path_factory.mktemp("store")))
        patch.setenv(COUNT_VARIABLE, "0")
        yield


def data() -> dict[str, object]:
    return {"case": "Announcements sound thin", "stage": str(COUPLING), "readings": READINGS,
            "limits": LIMITS}


def text() -> str:
    return DRY.read_text(encoding="utf-8").replace("coupling.yaml", str(COUPLING))


def table() -> str:
    return (f"case,Announcements sound thin\nstage,{COUPLING}\n"
            "quantity,frequency,value,min,within\ngain,10 Hz,-5.48 dB,,\n"
            "gain,20 Hz,-2.13 dB,,\ngain,1 kHz,0 dB,,\n"
            "gain,20 Hz,,-1 dB,\ngain,1 kHz,,,0.5 dB\n")


@pytest.fixture(scope="module")
def answer() -> diagnose.Result:
    return diagnose.rank(DRY)


WAYS: dict[str, Callable[[], Any]] = {
    "path": lambda: DRY,
    "name of a file": lambda: str(DRY),
    "text": text,
    "table": table,
    "data": data,
    "object": lambda: diagnose.load_case(DRY),
    "no file at all": lambda: diagnose.case(COUPLING, READINGS, "Announcements sound thin",
                                            {"limits": LIMITS}),
    "pairs": lambda: diagnose.case(
        diagnose.load_stage(COUPLING),
        [(diagnose.Reading("gain", frequency=10.0), "-5.48 dB"),
         (diagnose.Reading("gain", frequency=20.0), -2.13), READINGS[2]],
        "Announcements sound thin", {"limits": LIMITS}),
    "measured": lambda: diagnose.case(COUPLING, diagnose.load_case(DRY).readings,
                                      "Announcements sound thin", {"limits": LIMITS}),
}


@pytest.mark.parametrize("way", WAYS)
def test_a_case_means_the_same_however_it_is_given(way: str, answer: diagnose.Result) -> None:
    assert diagnose.load_case(WAYS[way]()) == diagnose.load_case(DRY)
    assert diagnose.rank(WAYS[way]()) == answer


def test_the_answer_is_the_closed_form(answer: diagnose.Result) -> None:
    first = answer.suspects[0]
    assert (first.part, first.mode) == ("C1", "capacitance loss")
    assert first.severity is not None
    assert first.severity.low <= FARADS <= first.severity.high
    assert [line.passes for line in answer.verdict] == [False, True]


@pytest.mark.parametrize(
    "stage",
    [COUPLING, str(COUPLING), COUPLING.read_text(encoding="utf-8"),
     {"stage": "coupling", "title": "A coupling capacitor into its load",
      "about": "The smallest stage with a fault that a closed form knows.",
      "source": "common practice", "rails": {}, "ports": {"input": "in", "output": "out"},
      "signal": {"input level": "100 mV"},
      "parts": {"C1": {"kind": "electrolytic", "nodes": ["in", "out"], "value": "10u",
                       "role": "coupling"},
                "R1": {"kind": "metal-film", "nodes": ["out", 0], "value": 10000,
                       "tolerance": "1%", "role": "load"}},
      "cautions": ["Below 60 V, yet switch off before you touch."]}],
)
def test_a_stage_means_the_same_however_it_is_given(stage: Any) -> None:
    one = diagnose.load_stage(COUPLING)
    assert diagnose.load_stage(stage) == one
    assert diagnose.load_stage(one) is one


def test_names_of_stages_are_stages() -> None:
    for name in diagnose.stages():
        assert diagnose.load_stage(name).name == name


@pytest.mark.parametrize("table", [False, True])
def test_a_blank_sheet_is_a_case(table: bool) -> None:
    case = diagnose.load_case(diagnose.blank("filter-high", table))
    assert case.stage.name == "filter-high"
    assert case.readings == ()
    asked = diagnose.proposal("filter-high")
    assert diagnose.Reading("gain", frequency=1000.0) in asked


def test_the_next_reading_is_one_that_was_not_taken() -> None:
    case = diagnose.case(COUPLING, READINGS[2:])
    (best,) = diagnose.next_readings(case, most=1)
    assert best.information > 0.0
    assert best.reading not in [m.reading.label() for m in case.readings]
    assert len(diagnose.next_readings(case)) > 1
    with pytest.raises(diagnose.InputError, match="nothing"):
        diagnose.next_readings(case, most=0)


@pytest.mark.parametrize("fault", ["R1:drift up", "R1: drift-up", ("R1", "drift up")])
def test_a_study_follows_the_first_order_high_pass(fault: Any) -> None:
    """A load that grows moves the corner, 1/(2πRC), of 10 µF down; read at 1 Hz, below it."""
    made = diagnose.study(COUPLING, fault, [diagnose.Reading("gain", frequency=1.0)])
    assert len(made.sizes) > 5
    for size, value in zip(made.sizes, made.si(made.values)[:, 0], strict=True):
        corner = 1.0 / (2.0 * math.pi * 1e-5 * float(size))
        assert value == pytest.approx(-10.0 * math.log10(1.0 + corner**2), abs=0.01)


def test_a_study_and_coverage_take_the_readings_of_a_case() -> None:
    assert diagnose.study(COUPLING, "C1:open", DRY).measured == (-5.48, -2.13, 0.0)
    assert len(diagnose.coverage(COUPLING, DRY).readings) == 3
    assert len(diagnose.coverage(COUPLING).readings) > 3
    for odd in ([], ["gain at 1 kHz"]):
        with pytest.raises(diagnose.InputError, match="reading"):
            diagnose.coverage(COUPLING, odd)  # type: ignore[arg-type]  # that is the point
    with pytest.raises(diagnose.InputError, match="stage"):
        diagnose.coverage("filter-high", DRY)


def test_coverage_tells_what_cannot_show() -> None:
    """At 1 kHz the reactance of 10 µF is 16 ohm, of what is left of it at 1 µF 160 ohm: no dB."""
    found = diagnose.coverage(COUPLING, [diagnose.Reading("gain", frequency=1000.0)])
    loss = next(f for f in found.faults if f.mode == "capacitance loss")
    assert not loss.detected
    assert next(f for f in found.faults if f.name == "C1 open").detected


def test_a_score_counts_every_bench() -> None:
    made = diagnose.score(COUPLING, benches=6, seed=3)
    assert made.benches <= 6
    assert sum(b.count for b in made.bins) == made.benches
    with pytest.raises(diagnose.InputError, match="cannot be ranked"):
        diagnose.score(COUPLING, benches=0)


def test_a_recording_is_measured_and_its_readings_make_a_case(tmp_path: Path) -> None:
    """Peak 0.5 of full scale, whose sine is 1 V RMS: 0.5 V, and a third harmonic at -40 dB: 1 %."""
    path = write(tmp_path / "tone.wav", tones({1000.0: 0.5, 3000.0: 0.005}))
    made = diagnose.measure(path, full_scale="1 V", signal="sine")
    assert made.item("thd").value == pytest.approx(0.01, rel=0.01)
    assert diagnose.measure(str(path), 1.0).item("level").value == pytest.approx(0.5, rel=0.001)
    case = diagnose.case("phono-opamp", made.readings())
    assert len(case.readings) == len(made.readings())
    for had, read in zip(made.readings(), case.readings, strict=True):
        assert had.reading == read.reading
        assert read.value == pytest.approx(had.value, rel=1e-12)
    with pytest.raises(diagnose.InputError, match="signal"):
        diagnose.measure(path, signal="sinus")


def test_a_report_is_written_and_is_the_text(tmp_path: Path, answer: diagnose.Result) -> None:
    text = diagnose.report(answer, tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == text
    assert text == diagnose.report(DRY)
    assert "C1 capacitance loss" in text
    with pytest.raises(diagnose.InputError, match="html"):
        diagnose.report(answer, "report.pdf")


@pytest.mark.slow
def test_pictures_are_drawn(tmp_path: Path, answer: diagnose.Result) -> None:
    made = diagnose.study(COUPLING, "C1:capacitance loss", DRY)
    figure = diagnose.figure(made)
    assert diagnose.draw(figure, tmp_path / "a.svg").read_text() == figure._repr_svg_()
    assert diagnose.draw(made, str(tmp_path / "b.png")).read_bytes()[:4] == b"\x89PNG"
    assert "<svg" in diagnose.draw("phono-opamp", tmp_path / "stage.svg").read_text()
    assert diagnose.figure(answer).panels
    assert diagnose.figure(diagnose.coverage(COUPLING, DRY)).panels
    with pytest.raises(diagnose.InputError, match="drawn"):
        diagnose.draw("phono-opamp", tmp_path / "stage.png")
    with pytest.raises(diagnose.InputError, match="picture"):
        diagnose.figure(3)  # type: ignore[arg-type]  # that is the point


def alike(one: Any, other: Any) -> bool:
    """Whether two documents say the same, sums rounded in another order aside."""
    if isinstance(one, dict):
        return list(one) == list(other) and all(alike(one[k], other[k]) for k in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    return bool(one == other)


@pytest.mark.slow
def test_texts_and_documents_are_those_of_the_commands(answer: diagnose.Result) -> None:
    def command(*words: object) -> str:
        run = subprocess.run([sys.executable, "-m", "diagnose", *map(str, words)], cwd=ROOT,
                             capture_output=True, text=True, check=True, timeout=120)
        return run.stdout

    assert diagnose.as_text(answer) == command("rank", DRY)
    assert alike(diagnose.to_json(answer), json.loads(command("rank", DRY, "--json")))
    made = diagnose.study(COUPLING, "C1:open", DRY)
    words = ("study", COUPLING, "C1:open", "--readings", DRY)
    assert command(*words).startswith(diagnose.as_text(made))
    assert alike(diagnose.to_json(made), json.loads(command(*words, "--json")))
    found = diagnose.coverage(COUPLING, DRY)
    assert diagnose.as_text(found) == command("coverage", COUPLING, "--readings", DRY)
    assert diagnose.as_text(diagnose.load_stage(COUPLING)) == command("stages", COUPLING)
    for view in (diagnose.as_text, diagnose.to_json):
        with pytest.raises(diagnose.InputError, match="is made of"):
            view(3)  # type: ignore[operator]  # that is the point


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"stage": "phono-opamp", "readings": [{"quantity": "gian", "value": 3}]}, "gain"),
        ({"stage": "phono-opamp", "readings": [
            {"quantity": "gain", "frequency": "1 kHz", "value": "35 V"}]}, "a level in dB"),
        ({"stage": "phono-opamp", "readings": [
            {"quantity": "gain", "frequency": "1 kHz", "value": float("nan")}]}, "nan"),
        ({"stage": "phono-opamp", "readings": [
            {"quantity": "gain", "frequency": "1 kHz", "value": True}]}, "True"),
        ({"stage": "phono-opamp", "limit": []}, "limits"),
        ({"readings": []}, "stage"),
        ({"stage": "phono-opmap"}, "phono-opamp"),
        ("stage: phono-opamp\nreadings: 3\n", "list"),
        ("no-such-file.yaml", "no such file"),
        (b"stage: x", "bytes"),
        (3, "int"),
    ],
)
def test_a_mistake_is_one_message_with_the_nearest_words(given: Any, told: str) -> None:
    with pytest.raises(diagnose.InputError) as stop:
        diagnose.load_case(given)
    assert told in str(stop.value)


def test_a_mistake_in_data_is_shown_in_its_line_with_a_caret() -> None:
    with pytest.raises(diagnose.InputError) as stop:
        diagnose.case("phono-opamp", [{"quantity": "gain", "frequency": "1 kHz", "value": "x dB"}])
    lines = str(stop.value).splitlines()
    assert lines[1][lines[2].index("^") :].startswith("x dB")


def test_data_without_end_are_refused() -> None:
    endless: dict[str, object] = {"stage": "phono-opamp"}
    endless["values"] = endless
    with pytest.raises(diagnose.InputError, match="deeply"):
        diagnose.load_case(endless)


@pytest.mark.slow
def test_the_page_is_served(tmp_path: Path) -> None:
    code = ("import diagnose\n"
            "diagnose.serve(0, browser=False, told=lambda where: print(where, flush=True))\n")
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, text=True, stdout=subprocess.PIPE,
        env={**os.environ, "XDG_DATA_HOME": str(tmp_path)},
    )
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        with urllib.request.urlopen(address, timeout=20) as page:  # the secret stands in it
            assert "phono-opamp" in page.read().decode("utf-8")
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


def test_the_healthy_unit_is_what_the_command_tells(capsys: pytest.CaptureFixture[str]) -> None:
    made = diagnose.healthy("filter-high")
    assert main(["stages", "filter-high", "--healthy"]) == 0
    assert diagnose.as_text(made) == capsys.readouterr().out
    assert diagnose.to_json(made)["stage"] == "filter-high"
    assert isinstance(made, diagnose.HealthyUnit)


def test_the_store_lies_where_the_environment_says() -> None:
    assert diagnose.default_folder() == Path(os.environ["AMP_DIAGNOSE_CACHE"])


def test_everything_that_can_be_called_is_called_here() -> None:
    """Types and errors aside; a new name without a call in this room of tests fails."""
    here = "".join(p.read_text(encoding="utf-8") for p in Path(__file__).parent.glob("*.py"))
    functions = [name for name in diagnose.__all__ if name.islower() and name[0] != "_"]
    assert [name for name in functions if f"diagnose.{name}(" not in here] == []
    assert len(functions) > 15

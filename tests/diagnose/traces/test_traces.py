"""Traces of an oscilloscope against the closed forms that they were made of.

`tests/data/traces/make.py` has the forms and writes each of ten shapes in a way of its own, through
a converter of eight bits: a step of it is 0.4 % of the screen, and tolerances go by that.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path
from types import ModuleType

import jsonschema
import numpy as np
import pytest

from circuits import yamlfile
from circuits.errors import InputError
from circuits.signals.edges import has_edges, read_edges
from circuits.signals.tone import frequency_of
from diagnose.recording.measurement import Measurement, sheet_lines, to_json
from diagnose.schema.documents import json_schema
from diagnose.sheet.case import read_case
from diagnose.traces.measuring import measure_trace
from diagnose.traces.options import TraceOptions

DATA = Path(__file__).resolve().parents[2] / "data" / "traces"


def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("traces_made", DATA / "make.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MADE = maker()


def read(name: str, **told: str) -> tuple[Measurement, dict[str, float]]:
    made = measure_trace(DATA / name, TraceOptions(**told))
    return made, {i.name: i.value for i in made.items if i.channel == made.output}


def test_the_files_are_what_the_script_makes(tmp_path: Path) -> None:
    MADE.HERE = tmp_path
    for one in MADE.ALL:
        one()
    assert len(MADE.ALL) == 10
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (DATA / path.name).read_bytes()


def test_one_pole() -> None:
    """10 to 90 % of one pole is τ·ln 9; it does not overshoot, and its edge is not straight."""
    made, found = read("one-pole.csv")
    assert made.signal == "square"
    assert found["rise time"] == pytest.approx(MADE.TRUE["one-pole.csv"]["rise"], rel=0.02)
    assert found["overshoot"] < 0.005
    assert "slew rate" not in found


def test_two_poles_that_ring() -> None:
    """A second-order step overshoots by exp(−πζ/√(1 − ζ²))."""
    _, found = read("ringing.csv")
    step = 5.0 / 256 / 2.0
    assert found["overshoot"] == pytest.approx(MADE.TRUE["ringing.csv"]["overshoot"], abs=step)


def test_tilt_of_a_coupling_capacitor() -> None:
    """A square wave of period T behind τ sags by 1 − exp(−T/2τ), whatever its size."""
    _, found = read("tilt.csv")
    assert found["tilt"] == pytest.approx(MADE.TRUE["tilt.csv"]["tilt"], abs=0.005)
    assert found["frequency"] == pytest.approx(100.0, rel=1e-3)
    assert found["step"] == pytest.approx(1.0, rel=0.01)


def test_an_edge_that_slews() -> None:
    made, found = read("slewing.csv")
    assert found["slew rate"] == pytest.approx(MADE.TRUE["slewing.csv"]["slew"], rel=0.02)
    assert found["step"] == pytest.approx(MADE.TRUE["slewing.csv"]["step"], rel=0.01)
    told = [m.reading.quantity for m in made.readings()]
    assert "slew rate" in told
    assert "rise time" not in told


def test_phase_and_gain_between_channels() -> None:
    _, found = read("phase.csv")
    true = MADE.TRUE["phase.csv"]
    assert found["phase"] == pytest.approx(true["phase"], abs=0.2)
    assert found["gain"] == pytest.approx(true["gain"], abs=0.03)
    assert found["frequency"] == pytest.approx(true["frequency"], rel=1e-3)


def test_channels_the_other_way_round() -> None:
    _, found = read("phase.csv", input="2", output="1")
    assert found["phase"] == pytest.approx(-MADE.TRUE["phase.csv"]["phase"], abs=0.2)
    made, found = read("three-channels.txt", input="Channel 1", output="3")
    assert made.output == "Channel 3"
    assert abs(found["phase"]) == pytest.approx(180.0, abs=0.3)


def test_times_that_stand_still() -> None:
    """Five digits of time do not tell 2 µs apart; the interval in the head does."""
    made, found = read("three-channels.txt")
    assert found["phase"] == pytest.approx(-90.0, abs=0.3)
    assert found["frequency"] == pytest.approx(1000.0, rel=1e-3)
    assert any("stand still" in note for note in made.notes)


@pytest.mark.parametrize("name", ["ripple.csv", "half-wave.tsv", "hum.csv"])
def test_lines_of_the_mains(name: str) -> None:
    """Fourier series of rectified sines: 4A/π(n² − 1) full-wave, and of half a wave half of it."""
    made, found = read(name)
    assert made.signal == "silence"
    for frequency, rms in MADE.TRUE[name].items():
        assert found[f"hum at {frequency:g} Hz"] == pytest.approx(rms, rel=0.01)


def test_what_is_not_there_is_a_bound() -> None:
    made, _ = read("hum.csv")
    item = made.item("hum at 100 Hz")
    assert item.bound == "<"
    assert 0.0 < item.value < 0.05e-3


def test_patterns_of_the_lines_are_named() -> None:
    says = {name: read(name)[0].hum[0][1] for name in ("ripple.csv", "half-wave.tsv", "hum.csv")}
    assert "full-wave" in says["ripple.csv"]
    assert "half-wave" in says["half-wave.tsv"]
    assert "pick-up" in says["hum.csv"]


def test_a_sweep_of_a_generator() -> None:
    """One pole: −10·log10(1 + (f/p)²) dB and −atan(f/p), relative to 1 kHz."""
    made, _ = read("generator-sweep.csv")
    pole = MADE.TRUE["generator-sweep.csv"]["pole"]

    def level(f: float) -> float:
        return -10.0 * math.log10(1.0 + (f / pole) ** 2)

    seen = set()
    for one in made.readings():
        f = one.reading.frequency
        seen.add(one.reading.quantity)
        if one.reading.quantity == "response":
            assert one.reading.reference == 1000.0
            assert one.value == pytest.approx(level(f) - level(1000.0), abs=0.002)
        else:
            assert one.value == pytest.approx(-math.degrees(math.atan(f / pole)), abs=0.01)
    assert seen == {"response", "phase"}


@pytest.mark.parametrize(
    ("name", "at"), [("one-pole.csv", ""), ("phase.csv", ""), ("ripple.csv", "vcc"),
                     ("generator-sweep.csv", "")])
def test_lines_for_a_sheet_are_read_by_its_loader(name: str, at: str) -> None:
    made = measure_trace(DATA / name, TraceOptions(at=at))
    text = f"stage: phono-two-transistor\n{sheet_lines(made)}"
    case = read_case(yamlfile.tree(text, "this text"), Path("a.yaml"))
    assert [m.reading for m in case.readings] == [m.reading for m in made.readings(made.output)]
    assert case.readings


@pytest.mark.parametrize("name", ["phase.csv", "generator-sweep.csv"])
def test_its_document_is_of_the_schema(name: str) -> None:
    jsonschema.validate(to_json(read(name)[0]), json_schema("measure"))


WRONG = {
    "a word among numbers": (
        ["Time (s),CH1 (V)", *(f"{k}e-6,{k % 7}" for k in range(60)), "60e-6,1.o2",
         *(f"{k}e-6,{k % 7}" for k in range(61, 99))],
        "62:7: '1.o2' is no number", "    60e-6,1.o2\n          ^"),
    "a row that ends": (
        ["Time (s),CH1 (V),CH2 (V)", *(f"{k}e-6,1,{k % 7}" for k in range(60)), "60e-6,1"],
        "62:7: this row ends after 2 of 3 columns", "copied as a whole"),
    "time that goes back": (
        ["Time (s),CH1 (V)", *(f"{k}e-6,{k % 7}" for k in range(50)), "7e-6,1",
         *(f"{k}e-6,{k % 7}" for k in range(51, 99))],
        "52:1: the time goes back here", "expected: times that rise"),
    "no time at all": (
        ["CH1 (V),CH2 (V)", *(f"{k % 5},{k % 7}" for k in range(60))],
        "2:1: this trace says neither times", "Sample Interval"),
    "too many channels": (
        ["t;a;b;c;d;e", *(f"{k}e-6;1;2;3;4;{k % 7}" for k in range(60))],
        "2:1: this trace has 5 channels", "one to 4"),
    "off the screen": (
        ["Time (s),CH1 (V)", *(f"{k}e-6,{k % 7}" for k in range(60)), "60e-6,9.9E+37"],
        "62:7: 9.9E+37 is off the screen", "    60e-6,9.9E+37\n          ^"),
    "too short": (["Time (s),CH1 (V)", "0,1", "1e-6,2"], "2:1: this trace has 2 points",
                  "40 or more"),
    "words only": (["Time,CH1", "none,none"], "2:1: there are no numbers", "a row a point"),
    "nothing to read": (
        ["Time (s),CH1 (V)", *(f"{k}e-6,{math.sin(k / 90):.4f}" for k in range(60))],
        ": this trace holds 60 µs", "more for ripple and hum"),
    "a sweep that goes back": (
        ["Frequency (Hz),Level (dB)", "20,0", "50,1", "40,2"],
        "4:1: the frequency does not rise here", "one sweep"),
    "a sweep of nothing": (
        ["Frequency (Hz),Amplitude (V)", "20,1", "50,0", "90,2"],
        "3:4: an amplitude of nothing or less has no dB", "more than zero"),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_wrong_file_is_one_message(what: str, tmp_path: Path) -> None:
    lines, told, more = WRONG[what]
    path = tmp_path / "trace.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        measure_trace(path)
    assert f"{path}{':' if told[0].isdigit() else ''}{told}" in str(caught.value)
    assert more in str(caught.value)


def test_a_channel_that_is_not_there() -> None:
    with pytest.raises(InputError, match="there is no channel '7'"):
        measure_trace(DATA / "phase.csv", TraceOptions(input="7"))


@pytest.mark.parametrize("shape", ["sine", "triangle", "half sine", "full-wave"])
def test_waves_without_edges_have_none(shape: str) -> None:
    turn = np.linspace(0.0, 6.0 * math.pi, 3000)
    wave = {"sine": np.sin(turn), "triangle": np.arcsin(np.sin(turn)),
            "half sine": np.maximum(np.sin(turn), 0.0), "full-wave": np.abs(np.sin(turn))}[shape]
    assert not has_edges(wave)


@pytest.mark.parametrize("periods", [1.7, 3.3, 12.0, 41.0])
def test_the_frequency_of_a_few_periods(periods: float) -> None:
    """A clean sine is found to far better than 1/T, which is the step of a spectrum."""
    time = np.linspace(0.0, 1.0, 4000)
    assert frequency_of(time, 0.3 + np.sin(2.0 * math.pi * periods * time + 0.9)) == pytest.approx(
        periods, rel=1e-4)


def test_a_fall_alone_is_an_edge() -> None:
    time = np.linspace(0.0, 1e-3, 2000)
    wave = np.where(time < 0.3e-3, 5.0, 5.0 * np.exp(-(time - 0.3e-3) / 20e-6))
    (edge,) = read_edges(time, wave).edges
    assert not edge.rising
    assert edge.rise == pytest.approx(20e-6 * math.log(9.0), rel=0.01)


def test_noise_makes_no_edges_of_one() -> None:
    """An edge that trembles about its middle is one edge."""
    time = np.linspace(0.0, 1e-3, 4000)
    wave = 1.0 / (1.0 + np.exp(-(time - 0.5e-3) / 15e-6))
    wave = wave + 0.03 * np.random.default_rng(3).standard_normal(4000)
    assert len(read_edges(time, wave).edges) == 1

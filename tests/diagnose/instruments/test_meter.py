"""A multimeter on a lead: what is taken, what is asked, and what becomes of a bad line.

Outside: SCPI-99's words and its 9.9e37 for what is over the range (from memory), spoken by a server
on this machine and by the general-purpose simulator `pyvisa-sim`; the loader of sheets reads back
what was written. No meter of any make is imitated.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from circuits.load import load_stage
from circuits.quantity import parse, to_step
from circuits.reading import Reading
from diagnose.cli.main import main
from diagnose.instruments import connection
from diagnose.instruments.holding import Probe
from diagnose.instruments.meter import Meter, Shown, understood
from diagnose.instruments.points import Point, empty_points, wanted
from diagnose.instruments.session import AGAIN, END, SKIP, TAKE, Taken, take_points
from diagnose.sheet.case import load_case
from tests.diagnose.instruments.scpi_server import NAME, Voltages, serving

STAGE = "phono-two-transistor"
SHEET = f"""\
# my notes stay
stage: {STAGE}
readings:
  - {{quantity: dc voltage, at: c1, value: }}  # first
  - {{quantity: gain, frequency: 1 kHz, value: }}
  - {{quantity: dc voltage, at: e2, value: }}
  - {{quantity: resistance, between: [e1, "0"], value: }}
"""


# ---- a probe held still ------------------------------------------------------------------------

def taken_of(unit: str, values: list[float], every: float = 0.1) -> list[float]:
    """What is taken by itself of values that come one after the other."""
    probe, took = Probe(unit), []
    for k, value in enumerate(values):
        held = probe.add(k * every, Shown(value, abs(value) > 1e30, 1e-6))
        if held is not None:
            probe.took(held)
            took.append(held.value)
    return took


def test_a_probe_held_still_for_half_a_second_is_taken_once() -> None:
    assert taken_of("V", [0.001] * 5 + [1.392] * 5) == []
    assert taken_of("V", [0.001] * 5 + [1.392] * 6) == [pytest.approx(1.392)]
    assert taken_of("V", [0.001] * 5 + [1.392] * 40) == [pytest.approx(1.392)]


def test_a_value_that_settles_is_waited_for() -> None:
    """A coupling capacitor that charges: nothing is taken until it moves by less than 0.2 %."""
    values = [10.0 * (1.0 - 0.5**k) for k in range(1, 30)]
    (took,) = taken_of("V", values)
    assert took == pytest.approx(10.0, rel=2e-3)


def test_leads_in_the_air_are_no_voltage_and_no_resistance() -> None:
    assert taken_of("V", [0.004, 0.006, 0.005] * 20) == []
    assert taken_of("ohm", [9.9e37] * 40) == []


def test_the_next_point_counts_once_the_probe_has_left() -> None:
    assert len(taken_of("V", [5.0] * 10 + [0.002] + [5.0] * 10)) == 2
    assert len(taken_of("ohm", [4700.0] * 10 + [9.9e37] + [4700.0] * 10)) == 2


def test_an_overload_of_a_voltmeter_is_a_point() -> None:
    assert len(taken_of("V", [0.0] * 3 + [9.9e37] * 10)) == 1


@pytest.mark.parametrize(("text", "value", "over", "step"), [
    ("+1.39214300E+00", 1.392143, False, 1e-8), ("-12.5", -12.5, False, 0.1),
    ("+9.90000000E+37", 9.9e37, True, None), ("9.91E37", 9.91e37, True, None),
])
def test_values_are_understood(text: str, value: float, over: bool, step: float | None) -> None:
    shown = understood(text)
    assert shown is not None
    assert (shown.value, shown.over) == (pytest.approx(value), over)
    assert step is None or shown.step == pytest.approx(step)


@pytest.mark.parametrize("text", ["", "+1.39E", "1,39", "ERR", "nan", "\ufffd1.3"])
def test_noise_is_no_value(text: str) -> None:
    assert understood(text) is None


@pytest.mark.parametrize(("x", "unit", "step", "text"), [
    (1.4, "V", 1e-3, "1.400 V"), (0.0143, "V", 1e-5, "14.30 mV"),
    (4700.0, "ohm", 0.1, "4.7000 kohm"), (-23.456, "V", 1e-2, "-23.46 V"),
    (0.00004, "V", 1e-5, "0.04 mV"), (1e8, "ohm", 1e7, "0.10 Gohm"),
])
def test_digits_are_kept_to_the_last_that_counts(
    x: float, unit: str, step: float, text: str
) -> None:
    assert to_step(x, unit, step) == text
    assert parse(text, unit) == pytest.approx(x, abs=step)


# ---- from point to point -----------------------------------------------------------------------

class Scripted:
    """A meter, a person and a clock: values and words, one a tenth of a second."""

    def __init__(self, events: list[float | str], most: float | None = 1000.0) -> None:
        self.events, self.most, self.now, self.prepared = events, most, 0.0, [""]
        self.put: list[tuple[str, str, bool]] = []
        self.notes: list[str] = []

    def prepare(self, quantity: str) -> None:
        self.prepared.append(quantity)

    def read(self) -> Shown:
        while self.events and isinstance(self.events[0], str):
            self.word = self.events.pop(0)
            return self.last
        value = self.events.pop(0) if self.events else 0.0
        assert isinstance(value, float)
        self.last = Shown(value, value > 1e30, 1e-6)
        return self.last

    word: float | str = ""
    last = Shown(0.0, False, 1e-6)

    def poll(self) -> str:
        word, self.word = str(self.word), ""
        self.now += 0.1
        if not self.events and not word:
            return END
        return word

    def wait(self) -> str:
        return TAKE

    def point(self, number: int, count: int, point: Point) -> None:
        self.notes.append(point.where)

    def value(self, point: Point, text: str) -> None: ...

    def took(self, point: Point, text: str) -> None: ...

    def note(self, text: str) -> None:
        self.notes.append(text)

    def keep(self, point: Point, text: str, over: bool) -> None:
        self.put.append((point.reading.label(), text, over))

    def run(self, *readings: Reading) -> Taken:
        points = wanted(load_stage(STAGE), readings)
        return take_points(points, self, self, self, self.keep,  # type: ignore[arg-type]
                           clock=lambda: self.now, sleep=lambda s: None)


C1, E2 = Reading("dc voltage", at="c1"), Reading("dc voltage", at="e2")
OHMS = Reading("resistance", between=("e1", "0"))


def test_two_points_one_held_one_by_a_key() -> None:
    made = Scripted([*[1.392] * 8, *[0.0] * 2, 0.004, TAKE])
    made.run(C1, E2)
    assert made.put == [("dc voltage at c1", "1.39200 V", False),
                        ("dc voltage at e2", "4.000 mV", False)]


def test_skip_repeat_and_end() -> None:
    made = Scripted([0.0, SKIP, *[1.7] * 8, 0.0, AGAIN, *[1.8] * 8, END])
    taken = made.run(C1, E2, Reading("dc voltage", at="c2"))
    assert [r.reading.at for r in taken.skipped] == ["c1"]
    assert [(label, over) for label, _, over in made.put] == [
        ("dc voltage at e2", False), ("dc voltage at e2", True)]
    assert made.put[1][1].startswith("1.8")
    assert taken.ended


def test_what_is_over_the_range_is_a_bound() -> None:
    made = Scripted([*[9.9e37] * 9, 9.9e37, TAKE])
    made.run(C1, OHMS)
    assert [text for _, text, _ in made.put] == ["> 1 kV", "> 1 kohm"]
    made = Scripted([9.9e37, TAKE], most=None)
    made.run(OHMS)
    assert made.put[0][1] == "OL"


def test_between_live_and_off_somebody_is_asked() -> None:
    made = Scripted([*[1.7] * 8, *[4700.0] * 8])
    made.run(C1, OHMS)
    assert any("unit is off" in note for note in made.notes)
    assert made.prepared[1:] == ["dc voltage", "resistance"]


def test_points_are_named_with_their_cautions() -> None:
    points = empty_points(SHEET, load_stage(STAGE), "", "a sheet")
    assert [p.reading.quantity for p in points] == ["dc voltage", "dc voltage", "resistance"]
    assert points[0].where == "red lead on c1, Q1 collector (base of Q2); black lead on ground"
    assert points[0].mark == "live"
    assert points[2].off
    assert "ischarge" in points[2].caution


# ---- the command, over a socket ----------------------------------------------------------------

@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "TIMEOUT", 0.25)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET, encoding="utf-8")
    return path


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Lines that stand on standard input before the command begins."""
    ours, theirs = os.pipe()
    lines: list[str] = []

    class Late(list[str]):
        def append(self, text: str) -> None:
            os.write(theirs, text.encode())

    with os.fdopen(ours) as given:
        monkeypatch.setattr(sys, "stdin", given)
        yield Late(lines)
        os.close(theirs)


@pytest.mark.slow
def test_a_good_meter_fills_the_sheet(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    live = SHEET.replace('  - {quantity: resistance, between: [e1, "0"], value: }\n', "")
    sheet.write_text(live, encoding="utf-8")
    typed.append("\n")
    volts = [0.001] * 4 + [1.39214] * 13 + [0.002] * 4 + [-0.61207] * 40
    with serving(Voltages(volts)) as address:
        assert main(["read", str(sheet), "--from", address]) == 0
    out, said = capsys.readouterr()
    assert "2 readings are kept" in out
    assert "Invented Bench meter 6" in said
    assert "c1, Q1 collector" in said
    assert said.index("Discharge each") < said.index("press Enter") < said.index("1 of 2")
    assert {m.reading.at: m.value for m in load_case(sheet).readings} == {
        "c1": pytest.approx(1.39214), "e2": pytest.approx(-0.61207)}
    text = sheet.read_text(encoding="utf-8")
    assert text.startswith("# my notes stay\n")
    assert "V}  # first" in text


@pytest.mark.slow
def test_resistances_with_the_power_off(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """One Enter when the cautions were read, one when the unit is off."""
    sheet.write_text(f"stage: {STAGE}\nreadings:\n"
                     '  - {quantity: resistance, between: [e1, "0"], value: }\n', "utf-8")
    typed.append("\n\n")
    with serving(Voltages([0.0], [9.9e37] * 3 + [4701.2] * 40, ranges=False)) as address:
        assert main(["read", str(sheet), "--from", address]) == 0
    said = capsys.readouterr().err
    assert "unit is off" in said
    (only,) = load_case(sheet).readings
    assert only.value == pytest.approx(4701.2)


@pytest.mark.slow
def test_a_cable_that_is_pulled_loses_nothing(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    typed.append("\n")
    with serving(Voltages([1.39214] * 15 + [0.0] * 9, pulled=20)) as address:
        assert main(["read", str(sheet), "--from", address]) == 2
    said = capsys.readouterr().err
    assert "does not answer any more" in said
    assert "1 reading is kept in" in said
    assert said.count("expected:") == 1
    (only,) = load_case(sheet).readings
    assert only.value == pytest.approx(1.39214)


@pytest.mark.slow
def test_ctrl_c_keeps_what_was_taken(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plain = Meter.read

    def read(meter: Meter) -> Shown:
        if "1.392" in sheet.read_text(encoding="utf-8"):
            raise KeyboardInterrupt
        return plain(meter)

    monkeypatch.setattr(Meter, "read", read)
    typed.append("\n")
    with serving(Voltages([1.39214])) as address:
        assert main(["read", str(sheet), "--from", address]) == 130
    assert "1 reading is kept" in capsys.readouterr().err
    (only,) = load_case(sheet).readings
    assert only.value == pytest.approx(1.39214)


def noisy(words: str) -> bytes | None:
    return b"+1.3\xff\x813\n" if words == "READ?" else NAME if words == "*IDN?" else (
        b'0,"No error"\n' if words == "SYST:ERR?" else None)


def generator(words: str) -> bytes | None:
    if words == "*IDN?":
        return b"Invented,Function generator,0002,1.0\n"
    return b'-113,"Undefined header"\n' if words == "SYST:ERR?" else None


@pytest.mark.parametrize(("answers", "told"), [
    (lambda words: None, "nothing answers at"),
    (noisy, "sends what is no value"),
    (lambda words: b"\xff\xfe\x80\n", "is no instrument that says its name"),
    (generator, "takes no dc voltage: '-113,\"Undefined header\"'"),
], ids=["silence", "noise", "noise from the start", "another instrument"])
def test_a_bad_line_is_one_message(
    answers: object, told: str, sheet: Path, typed: list[str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed.append("\n")
    with serving(answers) as address:  # type: ignore[arg-type]
        assert main(["read", str(sheet), "--from", address]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert said.count("expected:") == 1
    assert "Traceback" not in said
    assert sheet.read_text(encoding="utf-8") == SHEET


@pytest.mark.parametrize("address", ["nonsense", "TCPIP::no.such.host.invalid::5025::SOCKET"])
def test_an_address_that_is_none(
    address: str, sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", str(sheet), "--from", address]) == 2
    assert f"no line to {address} can be opened" in capsys.readouterr().err


def test_nobody_goes_on_where_nobody_reads_the_cautions(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    typed.append("q\n")
    meter = Voltages([5.0])
    with serving(meter) as address:
        assert main(["read", str(sheet), "--from", address]) == 0
    assert "READ?" not in meter.asked
    assert sheet.read_text(encoding="utf-8") == SHEET


def test_without_pyvisa_one_message_says_how_to_have_it(
    sheet: Path, typed: list[str], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    assert main(["read", str(sheet), "--from", "127.0.0.1:5025"]) == 2
    assert "pip install 'amplifier-fault-diagnosis[bench]'" in capsys.readouterr().err


SIMULATED = """\
spec: "1.1"
devices:
  meter:
    eom: {TCPIP SOCKET: {q: "\\n", r: "\\n"}}
    dialogues:
      - {q: "*IDN?", r: "Invented,Simulated meter,0003,1.0"}
      - {q: "CONF:VOLT:DC"}
      - {q: "SYST:ERR?", r: '0,"No error"'}
      - {q: "VOLT:DC:RANG? MAX", r: "1000"}
      - {q: "READ?", r: "+1.70000000E+01"}
resources:
  TCPIP0::localhost::5025::SOCKET: {device: meter}
"""


@pytest.mark.slow
def test_the_simulator_of_instruments(
    sheet: Path, typed: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`pyvisa-sim` in place of the back end; a probe that stays is taken once, then q ends."""
    pytest.importorskip("pyvisa_sim")
    (tmp_path / "bench.yaml").write_text(SIMULATED, encoding="utf-8")
    monkeypatch.setenv(connection.BACK_END, f"{tmp_path / 'bench.yaml'}@sim")
    typed.append("\n")

    def end() -> None:
        for _ in range(200):
            if "17.000" in sheet.read_text(encoding="utf-8"):
                break
            time.sleep(0.02)
        typed.append("q\n")

    thread = threading.Thread(target=end)
    thread.start()
    assert main(["read", str(sheet), "--from", "localhost:5025"]) == 0
    thread.join()
    assert "1 reading is kept" in capsys.readouterr().out
    (only,) = load_case(sheet).readings
    assert (only.reading.at, only.value) == ("c1", pytest.approx(17.0))

"""Readings of the bench by requests of the page: by card, by meter, and who may ask for them.

The card is a closed form (a coupling capacitor into a load, 1/(1 + 1/jωRC)), the meter a server on
this machine that speaks the words of SCPI-99 (from memory); sheets are read back by the loader of
case files. That a request from another page is told by its headers is in the Fetch metadata
specification of the W3C.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.bench.workers import COUNT_VARIABLE
from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.instruments import connection
from diagnose.sheet.case import load_case
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibrating import TONE_PEAK
from diagnose.soundcard.calibration import Calibration, keep
from diagnose.soundcard.calibration import kept as known
from diagnose.soundcard.card import Card
from diagnose.web import runs
from diagnose.web.desk import KEY
from diagnose.web.meter_run import measured
from diagnose.web.opened import from_file
from diagnose.web.runs import Run
from diagnose.web.shelf import Kept
from diagnose.web.taken import with_taken
from tests.diagnose.instruments.scpi_server import Voltages, serving
from tests.diagnose.soundcard.fake_card import FakeCard, Unit
from tests.diagnose.web.bench_walk import Walk

DATA = Path(__file__).resolve().parents[2] / "data"
OWN = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
SHEET = """\
# of the hall
case: Invented unit, dull bass
stage: coupling.yaml
readings:
  - {quantity: gain, frequency: 1 kHz, value: }
  - {quantity: gain, frequency: 20 Hz, value: }
  - {quantity: dc voltage, at: out, value: }
limits: [{quantity: gain, frequency: 20 Hz, min: -1 dB}]
"""
PHONO = """\
case: Invented phono stage
stage: phono-two-transistor
readings:
  - {quantity: dc voltage, at: c1, value: }
  - {quantity: dc voltage, at: e2, value: }
"""
HERE = "http://127.0.0.1:8426"


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    monkeypatch.setattr(connection, "TIMEOUT", 0.25)


def dry(f: np.ndarray) -> np.ndarray:
    """The coupling of the sheet's stage, 1 µF in place of 10, into its 10 kohm and the card's."""
    rc = 1e-6 * 5e3
    made: np.ndarray = 2j * np.pi * f * rc / (1.0 + 2j * np.pi * f * rc)
    return made


def kept(app: Flask, text: str) -> Kept:
    """A sheet on the shelf of an application."""
    files = {"coupling.yaml": (DATA / "coupling.yaml").read_bytes()}
    made: Kept = app.extensions[KEY].shelf.add(from_file(text, "sheet"), files)
    return made


@contextmanager
def plugged_in(monkeypatch: pytest.MonkeyPatch, card: Card) -> Iterator[None]:
    with monkeypatch.context() as patched:
        patched.setattr(portaudio, "card", lambda player, recorder, rate: card)
        yield


# ---- by card -----------------------------------------------------------------------------------

@pytest.mark.slow
def test_a_card_is_walked_through_and_the_sheet_fills(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(OWN)
    sheet = kept(app, SHEET)
    walk = Walk(client, sheet.name)
    with plugged_in(monkeypatch, FakeCard(Unit(dry, hum={50.0: 0.01}, noise=1e-6))):
        walk.begin(kind="card")
        listed = walk.phase("listed")
        assert "bench card, calibrated 2020-02-03" in listed["title"]
        assert listed["cautions"]
        texts = [step["text"] for step in listed["steps"]]
        assert texts[-1].startswith("take gain")
        assert listed["steps"][-1]["takes"] == ["gain at 1 kHz", "gain at 20 Hz"]
        assert [(one["reading"], one["why"]) for one in listed["left"]] == [
            ("dc voltage at out", "takes a voltmeter")]
        step = walk.on("go")
        assert (step["phase"], step["step"], step["words"]) == ("step", 0, ["go", "skip", "stop"])
        seen = walk.until(lambda run: run["level"] is not None)["level"]["sides"][0]
        # 10 mV of hum into a card of 1 V full scale: 40 dB below it
        assert seen["words"].startswith("-40.")
        assert "hum at 50 Hz" in seen["warning"]
        assert 'role="img"' in seen["spectrum"]
        assert "mains lines, Hz" in seen["spectrum"]
        assert not walk.post("/word", at=step["at"] - 1, word="go").json["heard"]
        while walk.on("go")["phase"] == "step":
            pass
        assert walk.run["phase"] == "ended"
    run = walk.run
    assert run["error"] == ""
    assert run["text"] == "2 readings taken and on the sheet"
    case = load_case(sheet.path)
    for reading in case.readings:
        wanted = 20.0 * np.log10(abs(dry(np.array([reading.reading.frequency]))[0]))
        assert reading.value == pytest.approx(wanted, abs=0.1)
        assert reading.reading.load == 10e3
    low = run["readings"][1]
    assert low["label"] == "gain at 20 Hz, into 10 kΩ"
    assert low["limits"] == [[False, "NOT MET: at least -1 dB"]]
    # what good units read comes when it is known
    told = walk.until(lambda run: run["readings"][1]["good"], over=True)
    assert told["readings"][1]["good"].startswith("below good units")
    assert sheet.path.read_text().startswith("# of the hall")
    assert client.get(f"/sheet/{sheet.name}/data").json["revision"] > sheet.revision


@pytest.mark.slow
def test_stop_while_a_tone_plays_ends_it_and_keeps_what_was_taken(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card whose take of silence lasts for ever: only somebody's word ends it."""
    keep(OWN)

    class Slow(FakeCard):
        def play(self, samples: np.ndarray, tail: float = 0.4) -> portaudio.Recorded:
            if not samples.any():  # of the noise
                playing.set()
                self.ended.wait(60.0)
            return super().play(samples, tail)

    playing = threading.Event()
    sheet = kept(app, SHEET.replace("frequency: 20 Hz, value: ", "frequency: 1 kHz, value: 0 dB")
                 .replace("quantity: dc voltage, at: out", "quantity: noise"))
    walk = Walk(client, sheet.name)
    card = Slow(Unit(dry, noise=1e-6))
    with plugged_in(monkeypatch, card):
        walk.begin(kind="card")
        walk.phase("listed")
        while walk.run["phase"] in ("listed", "step") and not walk.run["readings"]:
            walk.on("go")
        while walk.run["phase"] == "step" and not playing.is_set():
            walk.say("go")
            playing.wait(0.2)
            walk.run = walk.post("/look", after=0).json["run"]
        assert walk.say("stop")
        walk.phase("ended")
    assert card.ended.is_set()
    assert walk.run["error"] == ""
    assert [one["label"] for one in walk.run["readings"]] == ["gain at 1 kHz, into 10 kΩ"]
    assert any(m.reading.load == 10e3 for m in load_case(sheet.path).readings)


@pytest.mark.slow
def test_a_take_that_is_not_whole_waits_at_its_step_and_a_skip_goes_on(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(OWN)
    walk = Walk(client, kept(app, SHEET).name)

    class Busy(FakeCard):
        def play(self, samples: np.ndarray, tail: float = 0.4) -> portaudio.Recorded:
            if len(self.takes) == 3:  # the second time that it is taken
                self.takes.append(0.0)
                raise InputError("bench card does not start: wait timed out")
            return super().play(samples, tail)

    card = Busy(Unit(dry), lost=dict.fromkeys(range(9), "input overflow"))
    with plugged_in(monkeypatch, card):
        walk.begin(kind="card")
        walk.phase("listed")
        while not walk.on("go").get("failed"):
            pass
        assert "input overflow" in walk.run["remarks"][-1]
        assert walk.on("go")["failed"]
        assert "does not start" in walk.run["remarks"][-1]
        assert walk.on("skip")["phase"] == "ended"
    assert walk.run["text"].startswith("0 readings")


@pytest.mark.slow
def test_a_card_that_is_not_calibrated_is_listed_and_not_played(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    walk = Walk(client, kept(app, SHEET).name)
    card = FakeCard(Unit(dry))
    with plugged_in(monkeypatch, card):
        walk.begin(kind="card")
        walk.phase("ended")
    assert "not calibrated yet" in walk.run["error"]
    assert "diagnose take --calibrate" in walk.run["error"]
    assert walk.run["steps"]
    assert card.takes == []


def test_without_the_extra_one_message_says_what_to_install(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = kept(app, SHEET)
    before = sheet.path.read_text()
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    for kind, words in (("card", "pip install sounddevice"), ("meter", "[bench]")):
        answer = client.post(f"/sheet/{sheet.name}/bench/devices", json={"kind": kind})
        assert answer.status_code == 422
        assert words in answer.json["error"]
        walk = Walk(client, sheet.name)
        walk.begin(kind=kind, address="127.0.0.1:1")
        walk.phase("ended")
        assert words in walk.run["error"]
    assert sheet.path.read_text() == before


@pytest.mark.slow
def test_two_channels_have_a_level_each_and_their_readings_their_channel(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card calibrated on both sides; gains of 1 and of 1/2 (6.02 dB less), in closed form."""
    keep(replace(OWN, right=OWN))
    sheet = kept(app, """\
stage: coupling.yaml
channels:
  left: {readings: [{quantity: gain, frequency: 1 kHz, value: }]}
  right: {readings: [{quantity: gain, frequency: 1 kHz, value: }]}
suspect: right
""")
    walk = Walk(client, sheet.name)
    card = FakeCard(Unit(), right=Unit(lambda f: np.full(len(f), 0.5 + 0j), hum={50.0: 0.1}))
    with plugged_in(monkeypatch, card):
        walk.begin(kind="card")
        walk.phase("listed")
        assert walk.run["steps"][-1]["text"].endswith("of both channels at once")
        walk.on("go")
        left, right = walk.until(lambda run: run["level"] is not None)["level"]["sides"]
        assert (left["side"], right["side"]) == ("left", "right")
        assert "hum" not in left["warning"]
        assert "hum at 50 Hz" in right["warning"]
        while walk.on("go")["phase"] == "step":
            pass
    assert [(one["channel"], one["label"]) for one in walk.run["readings"]] == [
        ("left", "gain at 1 kHz, into 10 kΩ"), ("right", "gain at 1 kHz, into 10 kΩ")]
    found = {name: readings[0].value for name, readings in load_case(sheet.path).channels}
    assert found["left"] - found["right"] == pytest.approx(20.0 * np.log10(2.0), abs=0.05)
    # one row of the page holds both
    (row,) = client.get(f"/sheet/{sheet.name}/data").json["sheet"]["readings"]
    assert all(row["values"])


@pytest.mark.slow
def test_what_the_answer_proposes_is_asked_for(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sheet is ranked for it, as for the suspects; its own empty row is not asked for."""
    keep(OWN)
    sheet = kept(app, """\
stage: coupling.yaml
readings:
  - {quantity: gain, frequency: 1 kHz, value: -1 dB}
  - {quantity: noise, value: }
""")
    walk = Walk(client, sheet.name)
    with plugged_in(monkeypatch, FakeCard(Unit(dry))):
        walk.begin(kind="card", next=True)
        walk.phase("listed")
        walk.say("stop")
        walk.phase("ended")
    job = client.get(f"/sheet/{sheet.name}/rank").json
    assert job["state"] == "done"
    proposed = {one.reading for one in app.extensions[KEY].jobs.of(sheet.name).result.next}
    taken = {label for step in walk.run["steps"] for label in step["takes"]}
    assert taken
    assert taken <= proposed


# ---- by meter ----------------------------------------------------------------------------------

@pytest.mark.slow
def test_a_meter_is_followed_from_point_to_point(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    volts = [0.001] * 4 + [1.39214] * 13 + [0.002] * 4 + [9.9e37] * 60
    with serving(Voltages(volts)) as address:
        walk.begin(kind="meter", address=address)
        listed = walk.phase("listed")
        assert "Invented Bench meter 6" in listed["title"]
        assert any("Discharge" in text for text in listed["cautions"])
        assert [point["label"] for point in listed["points"]] == [
            "dc voltage at c1", "dc voltage at e2"]
        assert listed["points"][0]["lit"] == [["c1", "red"], ["0", "black"]]
        assert "Q1 collector" in listed["points"][0]["where"]
        assert walk.say("take")
        walk.until(lambda run: run["phase"] == "point" and run["point"] == 1)
        walk.phase("ended")
    assert walk.run["error"] == ""
    assert [(one["value"], one["kept"]) for one in walk.run["readings"]] == [
        ("1.39214 V", True), ("> 1 kV", True)]
    found = {m.reading.at: m for m in load_case(sheet.path).readings}
    assert found["c1"].value == pytest.approx(1.39214)
    assert (found["e2"].bound, found["e2"].value) == (">", 1000.0)


@pytest.mark.slow
def test_keys_take_what_stands_skip_and_go_back(app: Flask, client: FlaskClient) -> None:
    """Leads in the air read about nothing, so only a word takes them (as the command has it)."""
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    with serving(Voltages([0.004])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.on("take")
        walk.until(lambda run: run["shown"])
        assert walk.on("take")["point"] == 1
        assert walk.on("again")["point"] == 0
        assert walk.on("skip")["point"] == 1
        walk.on("stop")
        walk.phase("ended")
    assert walk.run["text"] == "1 reading taken and on the sheet"
    (only,) = load_case(sheet.path).readings
    assert (only.reading.at, only.value) == ("c1", pytest.approx(0.004))


@pytest.mark.slow
def test_a_cable_that_is_pulled_loses_nothing_and_it_goes_on(
    app: Flask, client: FlaskClient
) -> None:
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    with serving(Voltages([1.39214] * 15 + [0.0] * 9, pulled=20)) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.say("take")
        walk.phase("ended")
    assert "does not answer any more" in walk.run["error"]
    assert walk.run["error"].count("expected:") == 1
    assert [m.reading.at for m in load_case(sheet.path).readings] == ["c1"]
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        assert [p["label"] for p in walk.phase("listed")["points"]] == ["dc voltage at e2"]
        walk.say("stop")
        walk.phase("ended")


@pytest.mark.slow
def test_of_two_channels_the_one_that_is_named_is_read(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, """\
stage: phono-two-transistor
channels:
  left: {readings: [{quantity: dc voltage, at: c1, value: }]}
  right: {readings: [{quantity: dc voltage, at: c1, value: 1.5 V}]}
suspect: right
""")
    walk = Walk(client, sheet.name)
    with serving(Voltages([1.39214])) as address:
        walk.begin(kind="meter", address=address, channel="centre")
        walk.phase("ended")
        assert "no channel 'centre'" in walk.run["error"]
    with serving(Voltages([0.0] * 4 + [1.39214])) as address:
        walk.begin(kind="meter", address=address, channel="left")
        walk.phase("listed")
        walk.say("take")
        walk.phase("ended")
    assert {name: [m.value for m in read] for name, read in load_case(sheet.path).channels} == {
        "left": [pytest.approx(1.39214)], "right": [1.5]}


def test_the_end_of_the_server_ends_a_run(app: Flask, client: FlaskClient) -> None:
    walk = Walk(client, kept(app, PHONO).name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        run = app.extensions[KEY].runs.of(walk.run["sheet"])
        app.extensions[KEY].close()
        assert run.over


@pytest.mark.parametrize(("address", "words"), [
    ("127.0.0.1:1", "nothing answers at 127.0.0.1:1"), ("", "which meter"),
    ("what", "no line to what"),
])
def test_an_address_without_a_meter_is_one_message(
    app: Flask, client: FlaskClient, address: str, words: str
) -> None:
    walk = Walk(client, kept(app, PHONO).name)
    walk.begin(kind="meter", address=address)
    walk.phase("ended")
    assert words in walk.run["error"]


@pytest.mark.slow
def test_a_meter_is_not_read_while_nobody_looks(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a value would be taken that nobody saw."""
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    meter = Voltages([0.0])
    with serving(meter) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.on("take")
        monkeypatch.setattr(runs, "WATCHED", 0.0)
        run = app.extensions[KEY].runs.of(sheet.name)
        threading.Event().wait(0.3)
        before = meter.read
        threading.Event().wait(0.3)
        assert meter.read == before
        monkeypatch.setattr(runs, "WATCHED", 10.0)
        monkeypatch.setattr(runs, "FORGOTTEN", 0.0)
        run.wait(10.0)
    assert run.over
    assert "half an hour" in run.now()["remarks"][-1]


# ---- the sheet meanwhile -----------------------------------------------------------------------

def test_a_row_half_typed_keeps_no_reading_from_the_sheet() -> None:
    sheet = from_file("stage: coupling\nreadings:\n  - {quantity: gain, frequency: soon, value: }\n"
                      "  - {quantity: dc voltage, at: out, value: }\n", "sheet")

    def refused(text: str) -> str:
        raise InputError("a row is half typed")

    made = with_taken(sheet, refused, Reading("dc voltage", at="out"), "1.2 V", "")
    assert len(made.readings) == 3
    assert made.readings[2].values == ("1.2 V",)
    assert dict(made.readings[2].conditions) == {"at": "out"}
    assert made.readings[:2] == sheet.readings


@pytest.mark.slow
def test_what_was_typed_meanwhile_stays(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, PHONO)
    shelf = app.extensions[KEY].shelf
    walk = Walk(client, sheet.name)
    with serving(Voltages([0.0] * 8 + [1.4] * 60)) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        shelf.amend(sheet.name, lambda typed: from_file(
            sheet.path.read_text().replace("at: c1, value: ", "at: c1, value: 1.5 V"), "sheet"))
        assert "1.5 V" in sheet.path.read_text()
        walk.on("take")
        walk.until(lambda run: run["point"] == 1)
        walk.say("stop")
        walk.phase("ended")
    assert "1.5 V stays" in walk.run["remarks"][0]
    assert {m.value for m in load_case(sheet.path).readings} == {1.5}


@pytest.mark.slow
def test_what_was_typed_while_a_card_was_at_it_stays_until_the_step_is_repeated(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(OWN)
    # a second step, of noise, stands behind that of the gains: there the first is repeated
    sheet = kept(app, SHEET.replace("limits:", "  - {quantity: noise, value: }\nlimits:"))
    shelf = app.extensions[KEY].shelf
    walk = Walk(client, sheet.name)

    def low() -> float:
        return next(float(m.value) for m in load_case(sheet.path).readings
                    if m.reading.frequency == 20.0)

    with plugged_in(monkeypatch, FakeCard(Unit(dry))):
        walk.begin(kind="card")
        walk.phase("listed")
        walk.on("go")
        while not walk.run["steps"][walk.run["step"]]["takes"]:
            walk.on("go")
        shelf.amend(sheet.name, lambda typed: from_file(sheet.path.read_text().replace(
            "frequency: 20 Hz, value: ", "frequency: 20 Hz, value: -9 dB"), "sheet"))
        assert low() == -9.0
        walk.on("go")
        assert low() == -9.0
        assert "-9 dB stays" in walk.run["remarks"][-1]
        assert [one["label"] for one in walk.run["readings"]] == ["gain at 1 kHz, into 10 kΩ"]
        # what the take heard stays at the step after it, until that is gone on with
        (heard,) = walk.run["heard"]
        for word in ("1 kHz", "level, RMS", "harmonics, by number", "mains lines, Hz"):
            assert word in heard["spectrum"]
        assert walk.run["fresh"] == 2
        assert walk.on("again")["heard"] == []
        walk.on("go")
        walk.say("stop")
        walk.phase("ended")
    assert low() == pytest.approx(20.0 * np.log10(abs(dry(np.array([20.0]))[0])), abs=0.1)


def test_a_sheet_with_a_mistake_is_not_begun(app: Flask, client: FlaskClient) -> None:
    walk = Walk(client, kept(app, PHONO.replace("at: c1", "at: nowhere")).name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("ended")
    assert "nowhere" in walk.run["error"]


@pytest.mark.parametrize(("word", "bound", "value"), [
    ("1.392 V", "", 1.392), ("> 1 kV", ">", 1000.0), ("< -1 kV", "<", -1000.0),
    ("OL", ">", float("inf")),
])
def test_a_value_in_words_is_what_limits_are_held_against(
    word: str, bound: str, value: float
) -> None:
    made = measured(Reading("dc voltage", at="c1"), word)
    assert (made.bound, made.value) == (bound, value)


# ---- who may ask -------------------------------------------------------------------------------

def test_one_bench_has_one_run(app: Flask, client: FlaskClient) -> None:
    first, second = kept(app, PHONO), kept(app, SHEET)
    walk = Walk(client, first.name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        answer = Walk(client, second.name).post(kind="meter", address=address)
        assert answer.status_code == 422
        assert first.name in answer.json["error"]
        assert client.get(f"/sheet/{second.name}/bench").json == {"run": None}
        walk.say("stop")
        walk.phase("ended")
    assert client.get(f"/sheet/{first.name}/bench").json["run"]["phase"] == "ended"


@pytest.mark.parametrize("headers", [
    {"Origin": "http://evil.example"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
])
def test_another_page_opens_no_device(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch, headers: dict[str, str]
) -> None:
    def touched(*given: object) -> None:
        raise AssertionError("a device was touched")

    for word in ("card", "devices", "look_again", "library"):
        monkeypatch.setattr(portaudio, word, touched)
    monkeypatch.setattr(connection, "_pyvisa", touched)
    name = kept(app, PHONO).name
    for path in ("", "/devices", "/look", "/word"):
        for kind in ("card", "meter"):
            answer = client.post(f"/sheet/{name}/bench{path}", base_url=HERE, headers=headers,
                                 json={"kind": kind, "address": "127.0.0.1:1", "after": 0})
            assert answer.status_code == 403, path
            # as a page of the address line, or a link: nothing is opened by reading
            assert client.get(f"/sheet/{name}/bench{path}").status_code in (200, 405), path
    assert app.extensions[KEY].runs.free


@pytest.mark.parametrize("sent", ["[]", "{", "3", '{"kind": "oven"}', '{"kind": 3}',
                                  '{"kind": "card", "rate": 1}', '{"kind": "card", "device": 7}',
                                  '{"kind": "meter", "address": "a\\u0000b"}'])
def test_what_is_no_request_is_told_so(app: Flask, client: FlaskClient, sent: str) -> None:
    name = kept(app, PHONO).name
    answer = client.post(f"/sheet/{name}/bench", data=sent, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert answer.json["error"]
    assert app.extensions[KEY].runs.free


def test_a_sheet_that_is_not_there_has_no_bench(client: FlaskClient) -> None:
    assert client.get("/sheet/none/bench").status_code == 404
    assert client.post("/sheet/none/bench", json={"kind": "card"}).status_code == 404


def test_a_fault_of_the_program_ends_a_run_and_is_told() -> None:
    def broken(run: Run) -> None:
        raise ZeroDivisionError

    run = Run("sheet", "card")
    run.start(broken)
    run.wait(5.0)
    assert run.over
    assert "fault of the program" in run.now()["error"]


# ---- the card calibrated -----------------------------------------------------------------------

@pytest.mark.slow
def test_a_card_is_calibrated_by_what_is_typed_on_the_page(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A meter reads 2 V of full scale 10 dB down, 0.632 V; 1 % less across 10 kohm is 101 ohm."""
    walk = Walk(client, kept(app, SHEET).name)
    card = FakeCard(records=1.5, own_noise=1e-5)
    with plugged_in(monkeypatch, card):
        walk.begin(kind="calibration")
        assert "ohms of the card's input" in walk.phase("typed")["asked"]
        assert "expected" in walk.on("go", "ten")["problem"]
        assert walk.run["typed"] == "ten"
        assert "nothing else" in walk.on("go", "10 kohm")["asked"]
        assert "cable" in walk.on("go", "0.632 V")["asked"]
        assert walk.on("go", "0.626 V")["phase"] == "ended"
    assert walk.run["error"] == ""
    assert "full scale 2 V out" in walk.run["text"]
    own = known("bench card")
    assert own is not None
    assert own.plays == pytest.approx(2.0, rel=1e-3)
    assert own.output_ohms == pytest.approx(1e4 * (0.632 / 0.626 - 1.0))
    assert card.sounded == pytest.approx([TONE_PEAK] * 2)


def test_a_calibration_that_is_stopped_or_does_not_fit_keeps_nothing(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    walk = Walk(client, kept(app, SHEET).name)
    with plugged_in(monkeypatch, FakeCard()):
        walk.begin(kind="calibration", both=True)
        walk.phase("typed")
        walk.on("stop")
        walk.phase("ended")
        walk.begin(kind="calibration")
        walk.phase("typed")
        for typed in ("10 kohm", "0.5 V", "0.6 V"):
            walk.on("go", typed)
    assert "more volts with the input connected" in walk.run["error"]
    assert known("bench card") is None

"""Readings taken by card through requests of the page, and the card calibrated.

The card is a closed form: a coupling capacitor into a load, 1/(1 + 1/jωRC).
"""

from __future__ import annotations

import sys
import threading
from dataclasses import replace

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.errors import InputError
from diagnose.sheet.case import load_case
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibrating import TONE_PEAK
from diagnose.soundcard.calibration import keep
from diagnose.soundcard.calibration import kept as known
from diagnose.web.desk import KEY
from tests.diagnose.soundcard.fake_card import FakeCard, Unit
from tests.diagnose.web.bench_sheets import OWN, SHEET, dry, kept, plugged_in
from tests.diagnose.web.bench_walk import Walk

pytestmark = pytest.mark.usefixtures("own_bench")


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

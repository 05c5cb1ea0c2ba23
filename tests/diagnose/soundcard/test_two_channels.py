"""Both channels of a unit by both sides of a card, crosstalk between them, and phase.

Outside: gains, leaks and phases that were put in, in closed form.
"""

from __future__ import annotations

import cmath
import io
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.workers import COUNT_VARIABLE
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.cli.main import main
from diagnose.sheet.case import load_case
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibrating import TONE_PEAK, measure_both
from diagnose.soundcard.calibration import Calibration, keep, kept
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import Asked, cannot, tasks
from diagnose.soundcard.session import Step, session, steps
from diagnose.soundcard.taking import Rig, Taken, Takes, run
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

SIDE = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
FLOOR = ((20.0, -90.0), (20e3, -90.0))
OWN = replace(SIDE, crosstalk=FLOOR, right=replace(SIDE, records=1.25, crosstalk=FLOOR))
LINE = Stage("line", (), load=10e3, signal=(("input level", 0.2),))
POWER = Stage("power", (), load=8.0, signal=(("power", 20.0),))
GAIN, NOISE = Reading("gain", frequency=1e3), Reading("noise")
THD = Reading("thd", frequency=1e3, level=("input level", 0.2))
SIDES = ("left", "right")


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


def flat(gain: float, **further: object) -> Unit:
    return Unit(lambda f: np.full(len(f), gain, complex), **further)  # type: ignore[arg-type]


class Somebody:
    """Goes on at every step, and keeps what is taken."""

    def __init__(self) -> None:
        self.kept: dict[tuple[str, str], Taken] = {}
        self.remarks: list[str] = []

    def choose(self, step: Step, failed: bool) -> str:
        return "skip" if failed else "go"

    def ask(self, text: str) -> bool:
        return True

    def told(self, text: str) -> None:
        self.remarks.append(text)

    def heard(self, step: Step, takes: Sequence[Takes]) -> None: ...

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        self.kept[channel, taken.asked.quantity] = taken


class TwoInputs(FakeCard):
    """Its right input has another full scale than the left one."""

    def _input(self, wave, number, side):  # type: ignore[no-untyped-def]
        return super()._input(wave / (1.25 if side else 1.0), number, side)


def made(*asked: Asked, stage: Stage = LINE, own: Calibration = OWN) -> tuple[Step, ...]:
    return steps(tasks(asked, stage, 48e3, own.right is not None), Rig(own, stage, 1.0))


def both(*readings: Reading) -> list[Asked]:
    return [Asked(reading, side) for side in SIDES for reading in readings]


def test_each_channel_has_its_side_and_no_lead_is_swapped() -> None:
    told = made(*both(GAIN, NOISE, Reading("output impedance", frequency=1e3)))
    texts = [step.text for step in told]
    assert not any("swap" in text for text in texts)
    assert "left to left and right to right" in texts[0]
    assert "the output of the card of its side to the input of each channel" in texts[1]
    assert texts[2] == "take gain at 1 kHz of both channels at once"
    # leads change in the middle of an impedance: one channel, then the other
    assert [(step.task.channel, step.side) for step in told[3:5] if step.task] == [
        ("left", 0), ("right", 1)]
    assert texts[5].startswith("short both inputs now")
    assert told[6].beside is not None
    # a card of which one side is known takes one channel after the other
    assert any("swap the leads" in step.text for step in made(*both(GAIN), own=SIDE))


def test_channels_of_other_names_have_a_side_each_that_is_told() -> None:
    crosstalk = Reading("crosstalk", frequency=1e3)
    told = made(*(Asked(GAIN, name) for name in ("A", "B")))
    assert "A to left and B to right" in told[0].text
    assert told[2].beside is not None
    alone = made(Asked(crosstalk, "B"))
    assert "B to left and the other channel to right" in alone[0].text
    assert alone[-1].side == 0
    right = made(Asked(crosstalk, "right"))
    assert "the other channel to left and right to right" in right[0].text
    assert right[-1].side == 1


def test_a_power_stage_under_drive_is_taken_one_channel_at_a_time() -> None:
    """A sheet's readings are of one channel driven; the other one would load the supply too."""
    drive = replace(THD, level=("power", 20.0))
    told = made(*both(GAIN, drive), stage=POWER)
    assert [(step.task.kind, step.beside is not None) for step in told if step.task] == [
        ("curve", True), ("sine", False), ("sine", False)]
    assert "at each channel" in told[0].text


@pytest.mark.slow
def test_two_channels_are_read_in_one_take_each_by_its_own_side() -> None:
    card = TwoInputs(flat(2.0, harmonics={2: 1e-3}, at=0.4, noise=1e-4),
                     right=flat(1.0, harmonics={2: 2e-3}, at=0.2, noise=3e-4))
    person = Somebody()
    count = session(made(*both(GAIN, THD, NOISE)), card, Rig(OWN, LINE, 1.5), person)
    assert count == 6
    share = math.sqrt((20e3 - 20.0) / 24e3)
    for side, gain, thd, noise in (("left", 2.0, 1e-3, 1e-4), ("right", 1.0, 2e-3, 3e-4)):
        found = {quantity: one.value for (channel, quantity), one in person.kept.items()
                 if channel == side}
        assert found["gain"] == pytest.approx(20.0 * math.log10(gain), abs=0.02)
        assert found["thd"] == pytest.approx(thd, rel=0.05)
        assert found["noise"] == pytest.approx(noise * share, rel=0.05)
    # gain in 2 takes, thd in 3 or less, noise in 1: half of what one by one would be
    assert len(card.takes) <= 6


@pytest.mark.slow
def test_one_channel_that_is_dead_does_not_stop_the_other() -> None:
    card = TwoInputs(flat(2.0), right=flat(0.0))
    person = Somebody()
    session(made(*both(THD)), card, Rig(OWN, LINE, 2.0), person)
    assert list(person.kept) == [("left", "thd")]
    assert any(text.startswith("right: nothing was taken") for text in person.remarks)


@pytest.mark.slow
@pytest.mark.parametrize("leak", [1e-3, 1e-5])
def test_crosstalk_is_what_the_other_channel_leaves_here(leak: float) -> None:
    card = TwoInputs(flat(1.0), right=flat(2.0), leak=leak, own_leak=2e-5)
    asked = [Reading("crosstalk", frequency=f) for f in (100.0, 1e3)]
    (task,) = tasks([Asked(r, "left") for r in asked], LINE, 48e3, True)
    found = run(task, card, Rig(OWN, LINE, 1.0), lambda text: True).readings
    assert [one.asked for one in found] == asked
    for one in found:
        # which a sheet has no words for
        assert one.beside == ()
        if leak > 1e-4:
            # the leak, and 2 % of it through the card
            assert one.value == pytest.approx(20.0 * math.log10(leak), abs=0.3)
            assert not one.bound
        else:
            # within 6 dB of the card's own -90 dB
            assert one.bound == "<"
            assert one.value < -84.0


@pytest.mark.slow
def test_what_was_read_before_a_take_failed_is_kept() -> None:
    """The driver loses a buffer in every take from the second tone on."""
    card = TwoInputs(flat(1.0), right=flat(1.0), leak=1e-3,
                     lost=dict.fromkeys(range(2, 9), "input overflow"))
    asked = [Reading("crosstalk", frequency=f) for f in (1e3, 10e3)]
    (task,) = tasks([Asked(r, "left") for r in asked], LINE, 48e3, True)
    made = run(task, card, Rig(OWN, LINE, 1.0), lambda text: True)
    assert [one.asked for one in made.readings] == asked[:1]
    assert any("nothing more was taken" in text for text in made.remarks)


def test_crosstalk_and_phase_say_what_they_take() -> None:
    crosstalk, phase = Reading("crosstalk", frequency=1e3), Reading("phase", frequency=1e3)
    assert "--both" in cannot(crosstalk, LINE, 48e3) if LINE.output else True
    assert not tasks([Asked(crosstalk)], LINE, 48e3)
    (task,) = tasks([Asked(phase)], LINE, 48e3)
    with pytest.raises(NotTaken, match="hears nothing of the generator"):
        run(task, FakeCard(), Rig(SIDE, LINE, 1.0), lambda text: True)


@pytest.mark.slow
def test_phase_is_that_of_a_closed_form_whatever_the_inputs_differ_by() -> None:
    """A coupling of 50 Hz and a pole of 5 kHz, inverted; the right input lags by a pole of 40 kHz.

    arg(-jf/(50 + jf)/(1 + jf/5000)).
    """

    def gain(f: np.ndarray) -> np.ndarray:
        found: np.ndarray = -2.0 * 1j * f / (50.0 + 1j * f) / (1.0 + 1j * f / 5e3)
        return found

    lag = Unit(lambda f: 1.0 / (1.0 + 1j * f / 40e3))

    class Lagging(FakeCard):
        def _input(self, wave, number, side):  # type: ignore[no-untyped-def]
            return super()._input(lag.out(wave, self.rate) if side else wave, number, side)

    card = Lagging(Unit(gain, hum={50.0: 1e-3}))
    told = []

    def ask(text: str) -> bool:
        told.append(text)
        card.y_lead = {"for": "both", "the": "right", "take": ""}[text.split()[0]]
        return True

    asked = [Reading("phase", frequency=f) for f in (20.0, 50.0, 1e3, 20e3)]
    (task,) = tasks([Asked(r) for r in asked], LINE, 48e3)
    found = run(task, card, Rig(SIDE, LINE, 2.0), ask).readings
    assert [text.split()[0] for text in told] == ["for", "the", "take"]
    for one in found:
        f = one.asked.frequency
        wanted = math.degrees(cmath.phase(complex(gain(np.array([f]))[0])))
        assert one.value == pytest.approx(wanted, abs=0.3), one.asked.label()


@pytest.mark.slow
def test_both_sides_are_calibrated_and_kept() -> None:
    """What crosses over in the card is told by side, in dB of the volts there."""
    card = TwoInputs(flat(1.0), records=1.5, right=flat(0.99), own_leak=1e-4)
    volts = 2.0 * TONE_PEAK
    own = measure_both(card, (volts, 0.99 * volts), (volts, 0.98 * volts), 10e3,
                       today=date(2020, 2, 3))
    assert own.right is not None
    assert own.records == pytest.approx(1.5 * 0.99, rel=1e-3)
    assert own.right.records == pytest.approx(1.5 * 1.25 * 0.98 / 0.99, rel=1e-3)
    step = 20.0 * math.log10(own.right.records / own.records)
    for side, sign in ((own, -1.0), (own.right, 1.0)):
        for _, level in side.crosstalk:
            assert level == pytest.approx(-80.0 + sign * step * 0.0, abs=2.2)
    keep(own)
    assert kept("bench card") == own
    assert "right side" in own.text()
    with pytest.raises(NotTaken, match="pilots"):
        measure_both(FakeCard(records=1.5), (volts, volts), (volts, volts), 10e3)


@pytest.mark.slow
def test_both_sides_are_calibrated_by_what_is_typed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    card = TwoInputs(flat(1.0), records=1.5, right=flat(1.0))
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: card)
    monkeypatch.setattr(sys, "stdin", io.StringIO("10 kohm\n0.632 V\n0.626 V\n0.633 V\n0.627 V\n"))
    assert main(["take", "--calibrate", "--both", "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["right"]["full scale out"] == pytest.approx(0.633 / TONE_PEAK)
    assert "right output of the card, nothing else" in err
    assert len(card.sounded) == 4
    # one reading for two sides, and what is of no sheet
    assert main(["take", "--calibrate", "--both", "--open-volts", "0.632 V"]) == 2
    assert "two, such as" in capsys.readouterr().err
    assert main(["take", "sheet.yaml", "--both"]) == 2
    assert "--calibrate" in capsys.readouterr().err


@pytest.mark.slow
def test_a_sheet_of_two_channels_is_filled_by_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "sheet.yaml"
    rows = "".join(f"      - {{quantity: gain, frequency: {f} Hz, value: }}\n" for f in (20, 1000))
    path.write_text(f"stage: {Path(__file__).resolve().parents[2] / 'data' / 'coupling.yaml'}\n"
                    "channels:\n" + "".join(f"  {side}:\n    readings:\n{rows}" for side in SIDES)
                    + "suspect: right\n", encoding="utf-8")
    card = TwoInputs(flat(0.5), right=flat(0.25))
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: card)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    keep(OWN)
    assert main(["take", str(path), "--yes", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert len(document["taken"]) == 4
    channels = dict(load_case(path).channels)
    for side, gain in (("left", 0.5), ("right", 0.25)):
        values = [m.value for m in channels[side]]
        assert values == pytest.approx([20.0 * math.log10(gain)] * 2, abs=0.02)

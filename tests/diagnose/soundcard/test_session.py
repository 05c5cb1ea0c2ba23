"""A session: its steps and words, what is kept, and the command as somebody types it."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from circuits.bench.workers import COUNT_VARIABLE
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.cli.main import main
from diagnose.show.text_take import level_line, spectrum, taken_text
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibrating import TONE_PEAK
from diagnose.soundcard.calibration import Calibration, keep, kept
from diagnose.soundcard.level import BANDS, level
from diagnose.soundcard.plan import Asked, tasks
from diagnose.soundcard.session import AGAIN, GO, SKIP, STOP, Step, session, steps
from diagnose.soundcard.taken import Wave
from diagnose.soundcard.taking import Rig, Taken, Takes
from faultlib.good_unit import Figure
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

OWN = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
DATA = Path(__file__).resolve().parents[2] / "data"
VOLUME = Part("RV1", "potentiometer", ("in", "w", "0"), 10e3, role="volume", position=0.5)
LINE = Stage("line", (VOLUME,), load=10e3, source_impedance=600.0, signal=(("input level", 0.2),))
GAIN, NOISE = Reading("gain", frequency=1e3), Reading("noise")
SHEET = f"""\
# of the hall
stage: {DATA / "coupling.yaml"}
readings:
  - {{quantity: gain, frequency: 1 kHz, value: }}  # usual drive
  - {{quantity: gain, frequency: 20 Hz, value: }}
  - {{quantity: dc voltage, at: out, value: }}
limits: [{{quantity: gain, frequency: 20 Hz, min: -1 dB}}]
"""


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


@dataclass
class Person:
    """Says words in their order, then go."""

    words: list[str]
    seen: list[str] = field(default_factory=list)
    kept: list[tuple[str, str]] = field(default_factory=list)
    waves: list[Wave | None] = field(default_factory=list)
    anew: list[bool] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def choose(self, step: Step, failed: bool) -> str:
        self.seen.append(("again: " if failed else "") + step.text)
        if not self.words:
            return GO
        word = self.words.pop(0)
        if word == "^C":
            raise KeyboardInterrupt
        return word

    def ask(self, text: str) -> bool:
        return True

    def told(self, text: str) -> None:
        self.remarks.append(text)

    def heard(self, step: Step, takes: Sequence[Takes]) -> None:
        self.waves += [one.wave for one in takes]

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        self.kept.append((channel, taken.asked.label()))
        self.anew.append(again)


def made(*asked: Asked, stage: Stage = LINE, rig: Rig | None = None) -> tuple[Step, ...]:
    return steps(tasks(asked, stage, 48e3), rig or Rig(OWN, stage, 1.0))


def test_the_hands_have_a_step_each() -> None:
    both = [Asked(r, side) for side in ("left", "right") for r in (NOISE, GAIN)]
    texts = [step.text for step in made(*both)]
    words = ["left input of the card", "500 Ω in series", "turn the volume (RV1) to 50 %",
             "take gain", "put 600 Ω across its pins", "take noise", "swap the leads",
             "turn the volume", "take gain", "600 Ω across", "take noise"]
    assert len(texts) == len(words)
    assert all(word in text for word, text in zip(words, texts, strict=True))
    shorted = replace(NOISE, state=replace(NOISE.state, input="shorted"))
    assert any(step.text.startswith("short the input now") for step in made(Asked(shorted)))


def test_a_power_amplifier_is_warned_of_before_it_is_connected() -> None:
    stage = load_stage("output-complementary")
    from diagnose.soundcard.asked import rig_of
    from faultlib.simulate import Laboratory
    from faultlib.store import Store

    thd = Reading("thd", frequency=1e3, level=("power", 20.0))
    with Laboratory(Store(None), workers=0) as bench:
        rig = rig_of(stage, [Asked(thd)], OWN, bench)
    first, second, *_ = [step.text for step in made(Asked(thd), stage=stage, rig=rig)]
    assert "no loudspeaker" in first
    assert "40 dB below" in first
    assert "bridged" in first
    # 20 W into 8 ohm are 12.6 V, of which a card of 1 V takes half: 26 dB and 1 kohm below
    assert "in series and 1 kΩ to ground, of 250 mW or more" in second
    assert rig.before is not None
    assert 20.0 < rig.before.ratio < 40.0


@pytest.mark.parametrize(("watts", "told"), [(100.0, "takes 1.2 W"), (10.0, "")])
def test_treble_at_power_is_told_of_with_what_it_puts_into_a_zobel_network(
    watts: float, told: str
) -> None:
    """800 V² · 10 Ω / (10² + 79.6²) Ω², 79.6 Ω being 0.1 µF at 20 kHz: 1.24 W."""
    stage = Stage("power", (), load=8.0, signal=(("power", watts),))
    thd = Reading("thd", frequency=20e3, level=("power", watts))
    rig = Rig(replace(OWN, rate=96e3), stage, 20.0)
    (step,) = [one for one in steps(tasks([Asked(thd)], stage, 96e3), rig) if one.task]
    assert told in step.text
    assert ("Zobel" in step.text) == bool(told)


def test_a_step_is_skipped_repeated_and_ended() -> None:
    person = Person([GO, GO, GO, GO, AGAIN, GO, SKIP, STOP])
    card = FakeCard(Unit(noise=1e-4))
    count = session(made(Asked(GAIN), Asked(NOISE)), card, Rig(OWN, LINE, 1.0), person)
    assert person.kept == [("", "gain at 1 kHz")] * 2
    assert count == 2
    assert person.seen[-1].startswith("take noise")


def test_what_was_taken_is_kept_when_somebody_stops() -> None:
    person = Person([GO, GO, GO, GO, "^C"])
    with pytest.raises(KeyboardInterrupt):
        session(made(Asked(GAIN), Asked(NOISE)), FakeCard(), Rig(OWN, LINE, 1.0), person)
    assert person.kept == [("", "gain at 1 kHz")]
    # around a mains of 50 Hz a gain at 1 kHz is taken by two tones beside its 20th harmonic
    (wave,) = person.waves
    assert wave is not None
    assert all(abs(f / 1e3 - 1.0) < 0.02 for f in wave.tones)
    assert not wave.swept


def test_a_take_that_fails_waits_at_its_step() -> None:
    card = FakeCard(lost=dict.fromkeys(range(3), "input overflow"))
    person = Person([])
    session(made(Asked(GAIN)), card, Rig(OWN, LINE, 1.0), person)
    assert person.seen[-1] == f"again: {person.seen[-2]}"
    assert "input overflow" in person.remarks[0]
    assert person.kept == [("", "gain at 1 kHz")]


def test_the_level_that_comes_in_is_that_of_the_wave() -> None:
    time = np.arange(24000) / 48e3
    wave = 0.1 * np.sin(2.0 * np.pi * 1e3 * time) + 1e-3 * np.sin(2.0 * np.pi * 50.0 * time)
    seen = level(wave, 48e3)
    assert seen.rms == pytest.approx(-20.0, abs=0.05)
    assert seen.peak == pytest.approx(-20.0 + 20.0 * np.log10(1.01), abs=0.1)
    assert max(zip(seen.bands, BANDS, strict=True))[1] == pytest.approx(1e3)
    (frequency, loud), *_ = seen.hum
    assert (frequency, round(loud)) == (50.0, -60)
    assert not seen.clipped
    assert level(np.clip(40.0 * wave, -1.0, 1.0), 48e3).clipped
    text = level_line(seen, 2.0, 120)
    # -20 dB of 2 V
    assert "-20.0 dBFS 200 mV" in text
    assert "hum 50 Hz -60" in text
    assert spectrum(seen) in text
    # a terminal of 80 columns has the spectrum too
    assert spectrum(seen) in level_line(seen, 2.0, 79)
    assert len(spectrum(seen)) == len(BANDS) == 31
    assert len(level_line(seen, 2.0, 60)) <= 60
    assert "CLIPS" in level_line(level(np.clip(40.0 * wave, -1.0, 1.0), 48e3), 0.0, 80)


def test_a_reading_is_shown_beside_good_units() -> None:
    one = Taken(GAIN, GAIN, 20.0)
    assert "below good units, 21.0 dB to 23.0 dB" in taken_text(one, "", Figure(22.0, 21.0, 23.0))
    assert "within" in taken_text(one, "left", Figure(20.0, 19.0, 21.0))
    assert "above" in taken_text(replace(one, value=30.0), "", Figure(20.0, 19.0, 21.0))


def dry(f: np.ndarray) -> np.ndarray:
    """The coupling of the sheet's stage, 1 µF in place of 10, into its 10 kohm and the card's."""
    rc = 1e-6 * 5e3
    made: np.ndarray = 2j * np.pi * f * rc / (1.0 + 2j * np.pi * f * rc)
    return made


def command(
    monkeypatch: pytest.MonkeyPatch, card: FakeCard, path: Path, *words: str, typed: str = ""
) -> int:
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: card)
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    return main(["take", str(path), *words])


@pytest.mark.slow
def test_the_command_writes_into_the_sheet_and_the_rank_is_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET, encoding="utf-8")
    card = FakeCard(Unit(dry, noise=1e-6))
    assert command(monkeypatch, card, path, "--yes") == 2
    assert "not calibrated yet" in capsys.readouterr().err
    keep(OWN)
    assert command(monkeypatch, card, path, "--list") == 0
    listed = capsys.readouterr().out
    assert "take gain" in listed
    assert "dc voltage at out: takes a voltmeter" in " ".join(listed.split())
    assert card.takes == []
    assert command(monkeypatch, card, path, "--yes", "--json") == 0
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert [one["reading"] for one in document["taken"]] == [
        "gain at 1 kHz, into 10 kΩ", "gain at 20 Hz, into 10 kΩ"]
    for one, frequency in zip(document["taken"], (1e3, 20.0), strict=True):
        wanted = 20.0 * np.log10(abs(dry(np.array([frequency]))[0]))
        assert one["value"] == pytest.approx(wanted, abs=0.1)
    assert "below good units" in err
    assert "NOT MET" in err
    assert "Unplug" in err or "switch off" in err
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# of the hall\n")
    assert "# usual drive" in text
    assert text.count("load: 10 kohm") == 2
    assert main(["rank", str(path), "--json"]) == 0
    suspects = json.loads(capsys.readouterr().out)["suspects"]
    assert (suspects[0]["part"], suspects[0]["mode"]) == ("C1", "capacitance loss")


def test_somebody_who_types_stops_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET, encoding="utf-8")
    keep(OWN)
    assert command(monkeypatch, FakeCard(), path, typed="\nwhat\n\n\nq\n") == 0
    out, err = capsys.readouterr()
    assert "2 readings in" in out
    assert "'what' is none of these" in err
    assert "-0.0" in path.read_text(encoding="utf-8") or " 0.00" in path.read_text(encoding="utf-8")


def test_a_card_is_calibrated_by_what_is_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    card = FakeCard(records=1.5, own_noise=1e-5)
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: card)
    monkeypatch.setattr(sys, "stdin", io.StringIO("10 kohm\n0.632 V\n0.626 V\n"))
    assert main(["take", "--calibrate"]) == 0
    own = kept("bench card")
    assert own is not None
    assert own.plays == pytest.approx(2.0, rel=1e-3)
    # the tone sounds while the meter is read, twice
    assert card.sounded == pytest.approx([TONE_PEAK] * 2)
    assert "full scale 2 V out" in capsys.readouterr().out
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert main(["take", "--calibrate"]) == 2
    assert "nothing was typed" in capsys.readouterr().err


def test_without_the_library_one_message_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert main(["take", "--devices"]) == 2
    err = capsys.readouterr().err
    assert "pip install sounddevice" in err
    assert "Traceback" not in err
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET, encoding="utf-8")
    keep(OWN)
    assert main(["take", str(path)]) == 2
    assert main(["take"]) == 2
    assert path.read_text(encoding="utf-8") == SHEET


def test_a_device_is_named_by_a_number_or_a_part_of_its_name() -> None:
    known = [portaudio.Device(0, "inner", 2, 2, 48e3), portaudio.Device(3, "usb one", 2, 4, 48e3),
             portaudio.Device(5, "usb two", 0, 2, 48e3)]
    assert portaudio.chosen("3", False, known).index == 3
    assert portaudio.chosen("INN", True, known).index == 0
    assert portaudio.chosen("usb", True, known).index == 3
    for word, told in (("usb", "2 devices"), ("nothing", "no device")):
        with pytest.raises(InputError, match=told):
            portaudio.chosen(word, False, known)
    with pytest.raises(InputError, match="no device that records"):
        portaudio.chosen("", True, known[2:])


class _Refused(Exception):
    """Stands for the error of the library that plays and records."""


def test_a_device_that_does_not_start_is_one_message_and_is_let_go() -> None:
    """A sound server that is busy lets a stream be opened, and then not start."""
    closed = []

    class Stream:
        def __init__(self, **how: object) -> None:
            pass

        def start(self) -> None:
            raise _Refused("Error starting stream: Wait timed out [PaErrorCode -9987]")

        def close(self) -> None:
            closed.append(self)

    sound = ModuleType("sound")
    sound.InputStream = sound.OutputStream = Stream  # type: ignore[attr-defined]
    sound.PortAudioError = _Refused  # type: ignore[attr-defined]
    one = portaudio.Device(0, "busy", 2, 2, 48e3)
    card = portaudio.PortAudioCard(sound, one, one, 48e3)
    with pytest.raises(InputError, match="busy does not start: Error starting stream: Wait timed"):
        card.play(np.zeros(48), 0.1)
    with pytest.raises(InputError, match="does not start"), card.listening():
        pass
    assert len(closed) == 2

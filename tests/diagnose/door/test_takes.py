"""Signals, sweeps and takes from a script, by the front door alone.

Outside: a first-order high-pass and its corner in closed form; the example of the guide, run as it
stands there.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

import diagnose
from circuits.bench.workers import COUNT_VARIABLE
from diagnose.soundcard import portaudio
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

ROOT = Path(__file__).resolve().parents[3]
GUIDE = ROOT / "diagnose" / "soundcard" / "README.md"
COUPLING = ROOT / "tests" / "data" / "coupling.yaml"


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


def dry(f: np.ndarray) -> np.ndarray:
    """1 µF in place of 10 into 10 kohm and the card's 10 kohm: a corner of 31.8 Hz."""
    made: np.ndarray = 1j * f / (1j * f + 1.0 / (2.0 * math.pi * 1e-6 * 5e3))
    return made


def test_a_signal_is_told_in_words_of_the_trade_and_written(tmp_path: Path) -> None:
    tone = diagnose.signal("sine", "500 ms", "-20 dBFS", ["997 Hz"], channels="left")
    wave = diagnose.samples(tone, "44.1 kHz")
    assert np.abs(wave[0]).max() == pytest.approx(0.1, rel=1e-3)
    assert not wave[1].any()
    path = tmp_path / "tone.wav"
    written = diagnose.write_signal(tone, path, "44.1 kHz", full_scale="2 V")
    assert written.volts == pytest.approx(0.2)
    heard, rate = soundfile.read(path)
    assert rate == 44100
    assert heard[:, 0] == pytest.approx(wave[0], abs=1e-6)
    with pytest.raises(diagnose.InputError, match="not touched"):
        diagnose.write_signal(tone, path)
    with pytest.raises(diagnose.InputError, match="no signal 'sinus'"):
        diagnose.signal("sinus")


def test_samples_are_measured_without_a_file() -> None:
    wave = diagnose.samples(diagnose.signal("sine", 1))
    made = diagnose.measure(diagnose.recorded(wave + 0.01 * wave**2), full_scale="1 V")
    # 0.01·a²/2 of a tone of a
    second = made.item("harmonic 2").value
    assert second == pytest.approx(20.0 * math.log10(0.01 * 0.1 / 2.0), abs=0.01)
    for wrong in (np.zeros((3, 100)), np.zeros((2, 2, 2)), [1.0, math.nan]):
        with pytest.raises(diagnose.InputError, match="no recording"):
            diagnose.recorded(wrong)


@pytest.mark.slow
def test_the_example_of_the_guide_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a card that is not there: a coupling that has dried up, of 31.8 Hz."""
    text = GUIDE.read_text(encoding="utf-8")
    (block,) = [b for b in re.findall(r"```python\n(.*?)```", text, re.DOTALL) if "take(" in b]
    card = FakeCard(Unit(), records=1.5)
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: card)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hall.yaml").write_text(
        f"stage: {COUPLING}\nreadings:\n"
        "  - {quantity: gain, frequency: 1 kHz, value: }\n"
        "  - {quantity: gain, frequency: 20 Hz, value: }\n", encoding="utf-8")
    calibrated, taking = block.split("# the unit instead of the cable\n")
    names: dict[str, object] = {}
    exec(calibrated, names)
    card.unit = Unit(dry)
    exec(taking, names)
    readings = diagnose.load_case(tmp_path / "hall.yaml").readings
    assert [m.reading.load for m in readings] == [1e4, 1e4]
    for measured in readings:
        wanted = 20.0 * math.log10(abs(dry(np.array([measured.reading.frequency]))[0]))
        assert measured.value == pytest.approx(wanted, abs=0.1)
    answer = names["answer"]
    assert isinstance(answer, diagnose.Result)
    assert answer.suspects[0].name == "C1 capacitance loss"


def test_somebody_is_asked_and_told(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(f"stage: {COUPLING}\nreadings:\n"
                    "  - {quantity: gain, frequency: 1 kHz, value: }\n"
                    "  - {quantity: noise, value: }\n", encoding="utf-8")
    own = diagnose.Calibration("bench card", "2026-02-03", 48e3, 2.0, 1.5, 100.0, 1e4)
    asked: list[str] = []
    remarks: list[str] = []

    def ask(text: str) -> bool:
        asked.append(text)
        return "noise" not in text

    taken = diagnose.take(path, FakeCard(Unit(noise=1e-4)), ask, remarks.append, own)
    assert [one.reading.quantity for one in taken] == ["gain"]
    # data show themselves in words of the trade
    assert repr(taken[0]).startswith("Taken gain at 1 kHz, into 10 kΩ: ")
    assert repr(own).startswith("Calibration of bench card, calibrated 2026-02-03: full scale 2 V")
    assert any("left input" in text for text in asked)
    assert any("switch off" in text for text in remarks)
    with pytest.raises(diagnose.InputError, match="not calibrated"):
        diagnose.take(path, FakeCard())


def test_a_card_is_opened_and_calibrated(monkeypatch: pytest.MonkeyPatch) -> None:
    card = FakeCard(Unit(), records=1.5)
    asked: list[object] = []

    def opened(*words: object) -> FakeCard:
        asked.extend(words)
        return card

    monkeypatch.setattr(portaudio, "card", opened)
    assert diagnose.sound_card("usb", rate="96 kHz") is card
    assert asked == ["usb", "", 96000.0]
    own = diagnose.calibrate(card, ("632.5 mV", 0.6262), "10 kohm")
    # 632.5 mV are 10 dB below 2 V, and fall by 1 % into 10 kohm
    assert own.plays == pytest.approx(2.0, rel=1e-3)
    assert own.output_ohms == pytest.approx(100.0, rel=0.02)
    with pytest.raises(diagnose.InputError, match="more volts"):
        diagnose.calibrate(card, (0.5, 0.6), 1e4)


@pytest.mark.slow
def test_a_case_shows_good_units_under_drive_before_it_is_ranked(shared_store: Path) -> None:
    """Distortion of a triode is of the second order, and grows with the level (any handbook)."""
    case = diagnose.case("line-triode", [
        {"quantity": "thd", "frequency": "1 kHz", "input level": level, "value": "2 %"}
        for level in ("75 mV", "150 mV")])
    with diagnose.Laboratory(diagnose.Store(shared_store), workers=0) as bench:
        (panel,) = diagnose.figure(case, bench).panels
    (band,) = panel.bands
    assert band.x == (0.075, 0.15)
    soft, loud = (math.sqrt(low * high) for low, high in zip(band.low, band.high, strict=True))
    assert loud / soft == pytest.approx(2.0, rel=0.1)
    assert all(low < high for low, high in zip(band.low, band.high, strict=True))

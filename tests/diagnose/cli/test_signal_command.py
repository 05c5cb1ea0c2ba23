"""``diagnose signal``: files, their form and level, dither, cautions, and what cannot be."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from circuits.signals.pilot import find
from diagnose.cli.main import main
from diagnose.stimulus.minding import cautions, zobel_watts
from diagnose.stimulus.signal import Signal
from diagnose.stimulus.writing import dithered


def made(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["signal", *words])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.parametrize(
    ("name", "bits", "subtype"),
    [("x.wav", "16", "PCM_16"), ("x.wav", "24", "PCM_24"), ("x.wav", "32", "PCM_32"),
     ("x.wav", "float", "FLOAT"), ("x.flac", "16", "PCM_16"), ("x.flac", "24", "PCM_24")],
)
def test_a_file_has_the_form_and_level_that_were_asked_for(
    name: str, bits: str, subtype: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    code, out, _ = made(capsys, "sine", "-o", str(path), "--seconds", "1 s", "--level",
                        "-12 dBFS", "--bits", bits, "--rate", "44.1 kHz", "--channels", "right")
    assert code == 0
    assert "right channel driven" in out
    info = soundfile.info(path)
    assert (info.subtype, info.samplerate, info.channels) == (subtype, 44100, 2)
    samples = soundfile.read(path)[0].T
    assert not samples[0].any()
    assert find(samples, 44100.0).confidence > 0.99
    middle = samples[1, 44100 + 10000 : 44100 + 10000 + 22050]  # half a second of the tone
    assert math.sqrt(2.0 * float(np.square(middle).mean())) == pytest.approx(
        10.0 ** (-12.0 / 20.0), rel=1e-3)


def test_volts_are_told_of_full_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """0.5 V of 2 V are −12.04 dB."""
    path = tmp_path / "x.wav"
    code, out, _ = made(capsys, "sine", "-o", str(path), "--seconds", "1 s", "--level", "500 mV",
                        "--full-scale", "2 V", "--json")
    assert code == 0
    document = json.loads(out)
    assert document["level"] == pytest.approx(-12.0412, abs=1e-4)
    assert document["volts"] == pytest.approx(0.5)
    assert document["pilots"] == [0.5, 2.5]


def test_dither_is_triangular_of_one_step_rms_over_root_six() -> None:
    """Of two steps from end to end the variance is 1/6 of a step squared (closed form)."""
    level = np.full((2, 200000), 0.1)
    level[1] = 0.0
    noise = (dithered(level, 16) - level) / 2.0**-15
    assert float(noise[0].var()) == pytest.approx(1.0 / 6.0, rel=0.02)
    assert np.abs(noise[0]).max() <= 1.0
    assert not noise[1].any()


def test_a_zobel_network_takes_what_ohm_says() -> None:
    """10 Ω and 0.1 µF at 20 kHz have 80.2 Ω together: 28.3 V drive 0.353 A, 1.25 W into 10 Ω."""
    assert zobel_watts(20e3, math.sqrt(800.0)) == pytest.approx(
        800.0 / (10.0**2 + 79.577**2) * 10.0, rel=1e-4)
    assert zobel_watts(20e3, math.sqrt(800.0)) == pytest.approx(1.2437, rel=1e-3)


@pytest.mark.parametrize(
    ("signal", "said", "unsaid"),
    [
        (Signal("difference tone"), ("tweeter", "Zobel", "1.2 W"), ("cone",)),
        (Signal("sweep"), ("tweeter", "cone moves"), ("phono input alone",)),
        (Signal("sweep", shaped=True), ("phono input alone",), ()),
        (Signal("sine", 60.0, -6.0, (30.0,)), ("cone moves", "heat sink"), ("Zobel",)),
        (Signal("steps"), ("clipping", "dummy load"), ("Zobel",)),
        (Signal("silence"), (), ("dummy load",)),
    ],
)
def test_what_a_signal_can_do_is_said(
    signal: Signal, said: tuple[str, ...], unsaid: tuple[str, ...]
) -> None:
    text = " ".join(one.text for one in cautions(signal, 48000.0))
    assert all(word in text for word in said)
    assert not any(word in text for word in unsaid)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["sinus", "-o", "x.wav"], "did you mean: sine"),
        (["sine", "-o", "x.mp3"], "ends in .wav or .flac"),
        (["sine", "-o", "x.flac", "--bits", "32"], "FLAC has no samples of 32 bit"),
        (["sine", "-o", "x.wav", "--bits", "12"], "there are no samples"),
        (["sine", "-o", "x.wav", "--level", "1 V"], "--full-scale"),
        (["sine", "-o", "x.wav", "--level", "loud"], "is not understood"),
        (["sine", "-o", "x.wav", "--level", "0 V", "--full-scale", "1 V"], "more than 0 V"),
        (["sine", "-o", "x.wav", "--level", "3 V", "--full-scale", "1 V"], "0 dBFS"),
        (["sine", "-o", "x.wav", "--rate", "44"], "8 kHz to 192 kHz"),
        (["sine", "-o", "x.wav", "--frequency", "30 kHz"], "a higher rate"),
        (["sine", "-o", "x.wav", "--full-scale", "0 V"], "full scale is"),
        (["difference-tone", "-o", "x.wav", "--frequency", "1 kHz"], "two frequencies"),
        (["sweep", "-o", "x.wav", "--frequency", "1 kHz"], "no frequency"),
        (["sine", "-o", "nowhere/x.wav"], "cannot be written"),
    ],
)
def test_what_cannot_be_is_one_message(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = made(capsys, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_is_not_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(b"a recording")
    code, _, err = made(capsys, "sine", "-o", str(path))
    assert code == 2
    assert "exists and was not touched" in err
    assert path.read_bytes() == b"a recording"

"""Recordings read back as they were written, and files that are no recordings.

Written by libsndfile, and by the `wave` module of the standard library as a second opinion.
"""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from circuits.signals.recording import (
    MOST_SECONDS,
    Recording,
    about,
    at_full_scale,
    load_recording,
    steady,
)
from tests.recordings import noise, tones, write

LEFT = tones({997.0: 0.5}, 1.0)
RIGHT = tones({440.0: 0.25}, 1.0)


@pytest.mark.parametrize(
    ("form", "subtype", "bits", "error"),
    [
        ("WAV", "PCM_16", 16, 2.0**-15),
        ("WAV", "PCM_24", 24, 2.0**-23),
        ("WAVEX", "PCM_24", 24, 2.0**-23),
        ("WAV", "PCM_32", 32, 2.0**-31),
        ("WAV", "FLOAT", 0, 1e-7),
        ("WAV", "DOUBLE", 0, 0.0),
        ("FLAC", "PCM_16", 16, 2.0**-15),
        ("FLAC", "PCM_24", 24, 2.0**-23),
    ],
)
def test_what_was_written_comes_back(
    form: str, subtype: str, bits: int, error: float, tmp_path: Path
) -> None:
    found = load_recording(write(tmp_path / "x", LEFT, RIGHT, form=form, subtype=subtype))
    assert found.samples.shape == (2, len(LEFT))
    assert np.abs(found.samples - [LEFT, RIGHT]).max() <= error
    assert (found.rate, found.bits, found.seconds) == (48e3, bits, 1.0)
    assert found.channels == ("left", "right")


@pytest.mark.parametrize("width", [2, 3, 4])
def test_full_scale_is_that_of_whole_numbers(width: int, tmp_path: Path) -> None:
    """The standard library writes the numbers; −2^(bits−1) is −1, half of it −0.5."""
    numbers = [-(1 << (8 * width - 1)), -(1 << (8 * width - 2)), 1 << (8 * width - 2), 0] * 8000
    with wave.open(str(tmp_path / "x.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(width)
        file.setframerate(44100)
        file.writeframes(b"".join(x.to_bytes(width, "little", signed=True) for x in numbers))
    found = load_recording(tmp_path / "x.wav")
    assert found.samples[0, :4].tolist() == [-1.0, -0.5, 0.5, 0.0]
    assert found.channels == ("",)
    assert about(found)["bits"] == 8 * width


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_recording(path)
    text = str(caught.value)
    assert str(path) in text
    assert "expected:" in text
    return text


def test_files_that_are_no_recordings(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.wav")
    assert "not a file" in refused(tmp_path)
    for content in (b"", b"readings: []\n", b"RIFF", b"RIFF\0\0\0\0WAVE", b"fLaC" + bytes(50)):
        (tmp_path / "bad.wav").write_bytes(content)
        assert "cannot be read as sound" in refused(tmp_path / "bad.wav"), content


def test_recordings_of_another_form(tmp_path: Path) -> None:
    assert "3 channels" in refused(write(tmp_path / "a.wav", LEFT, LEFT, LEFT))
    assert "PCM_U8" in refused(write(tmp_path / "b.wav", LEFT, subtype="PCM_U8"))
    assert "OGG" in refused(write(tmp_path / "c.ogg", LEFT, form="OGG", subtype="VORBIS"))
    assert "4000 samples" in refused(write(tmp_path / "d.wav", LEFT, rate=4000))
    assert "too short: 0.3 s" in refused(write(tmp_path / "e.wav", LEFT[:14400]))
    assert "too short: 0 s" in refused(write(tmp_path / "f.wav", LEFT[:0]))
    assert "nothing but zeros" in refused(write(tmp_path / "g.wav", 0.0 * LEFT))
    holed = LEFT.copy()
    holed[100] = np.nan
    assert "no numbers" in refused(write(tmp_path / "h.wav", holed, subtype="FLOAT"))


@pytest.mark.parametrize(("form", "subtype"), [("WAV", "PCM_24"), ("WAVEX", "PCM_16"),
                                               ("FLAC", "PCM_24")])
def test_a_file_that_was_cut_off(form: str, subtype: str, tmp_path: Path) -> None:
    path = write(tmp_path / "x", LEFT, form=form, subtype=subtype)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    text = refused(path)
    assert "damaged" in text or "cannot be read" in text


def test_a_header_that_names_no_length_is_no_damage(tmp_path: Path) -> None:
    """As programs write that cannot go back to it: the size of the data is 0xFFFFFFFF."""
    path = write(tmp_path / "x.wav", LEFT, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    place = content.index(b"data")
    content[place + 4 : place + 8] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(content)
    assert load_recording(path).samples.shape == (1, len(LEFT))


def test_of_a_long_recording_the_first_part_is_read(tmp_path: Path) -> None:
    path = write(tmp_path / "x.wav", noise(0.1, 40.0, 8000), rate=8000)
    found = load_recording(path)
    assert (found.length, found.seconds) == (MOST_SECONDS, 40.0)


def recording(*channels: np.ndarray, bits: int = 16) -> Recording:
    return Recording("x", np.array(channels), 48e3, bits, len(channels[0]) / 48e3)


def test_a_clipped_wave_lies_at_full_scale() -> None:
    """Ten periods of a sine of 1.2, cut at both limits, lie there twenty times."""
    time = np.arange(4800) / 48e3
    top, loud = 1.0 - 2.0**-15, 1.2 * np.sin(2.0 * np.pi * 100.0 * time + 0.1)
    assert at_full_scale(recording(np.clip(loud, -1.0, top), 0.5 * loud)) == (20, 0)
    # clipped within the unit, below full scale: that is what is to be measured
    assert at_full_scale(recording(np.clip(loud, -0.7, 0.7))) == (0,)
    # a sine that just reaches it, sample by sample
    assert at_full_scale(recording(top * np.sin(2.0 * np.pi * 12e3 * time))) == (0,)
    assert at_full_scale(recording(np.clip(loud, -1.0, 1.0), bits=0)) == (20,)


def test_the_steady_stretch_is_found() -> None:
    tone = tones({997.0: 0.5}, 6.0)
    late = tone * (np.arange(len(tone)) > 1.23 * 48e3) * (np.arange(len(tone)) < 5.5 * 48e3)
    found = steady(recording(late, 0.01 * late))
    assert found.start == pytest.approx(1.4, abs=0.11)
    assert found.start > 1.23
    assert 5.2 < found.start + found.length < 5.5
    assert np.array_equal(found.samples[0], late[round(found.start * 48e3) :][: round(
        found.length * 48e3)])


def test_a_steady_recording_stays_as_it_is() -> None:
    whole = recording(tones({997.0: 0.5, 50.0: 0.1}, 1.03))
    assert steady(whole) is whole
    # bursts too short to be measured
    bursts = tones({997.0: 0.5}, 2.0) * (np.arange(96000) // 14400 % 2)
    assert steady(recording(bursts)).length == 2.0

"""Recordings as they come from a bench: tones that decay, step, come late or stop early.

Several hundred short ones, drawn at random from a seed. Each is measured, or refused with one
message; what is told is finite, and is JSON and lines of a sheet. Where a sine stands long enough,
its level is the one that was put in (amplitude over full scale, in dB), to 0.1 dB.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from circuits.errors import InputError
from circuits.signals.recording import Recording, load_recording, steady
from diagnose.recording.measurement import Measurement, sheet_lines, to_json
from diagnose.recording.measuring import measure, measured
from diagnose.recording.options import Options, checked_options
from diagnose.show.text_measurement import measure_text

Wave = np.ndarray
Random = np.random.Generator

SIGNALS = ("sine", "sine", "sine", "difference tone", "modulation", "tones", "square", "hum",
           "noise", "nothing")
COURSES = ("steady", "decay", "swell", "late", "off", "burst", "gap", "step", "stairs", "tremolo",
           "ramp", "last instant")
HUNDREDS = range(4)
RATES = (8000, 16000, 44100, 48000)


def signal(kind: str, time: Wave, rate: int, random: Random) -> Wave:
    """A wave of that kind, its peak at random up to full scale."""
    frequency = math.exp(random.uniform(math.log(30.0), math.log(0.3 * rate)))
    size = 10.0 ** random.uniform(-3.0, -0.05)

    def sine(hertz: float) -> Wave:
        return np.sin(2.0 * math.pi * hertz * time)

    if kind == "sine":
        return size * (sine(frequency) + 10.0 ** random.uniform(-5, -1) * sine(2.0 * frequency))
    if kind == "difference tone":
        return size / 2.0 * (sine(0.36 * rate) + sine(0.38 * rate))
    if kind == "modulation":
        return size * (0.8 * sine(60.0) + 0.2 * sine(0.15 * rate))
    if kind == "tones":
        many = np.geomspace(40.0, 0.4 * rate, int(random.integers(3, 31)))
        return size / len(many) * sum(sine(hertz) for hertz in many)
    if kind == "square":
        return size * np.sign(sine(random.uniform(50.0, 1000.0)))
    if kind == "hum":
        return size * sum(sine(50.0 * k) / k for k in range(1, 8))
    if kind == "noise":
        return size / 10.0 * random.standard_normal(len(time))
    return np.zeros_like(time)


def course(kind: str, time: Wave, random: Random) -> Wave:
    """How the size of a wave goes along the recording."""
    whole = float(time[-1])
    first = random.uniform(0.05, 0.95) * whole
    second = first + random.uniform(0.02, 0.9) * (whole - first)
    low = 0.0 if random.random() < 0.5 else 10.0 ** random.uniform(-4.0, -0.1)
    inside = (time > first) & (time < second)
    made: dict[str, Wave] = {
        "steady": np.ones_like(time),
        "decay": np.exp(-time / random.uniform(0.02, 3.0)),
        "swell": np.exp((time - whole) / random.uniform(0.05, 3.0)),
        "late": np.where(time < first, low, 1.0),
        "off": np.where(time > first, low, 1.0),
        "burst": np.where(inside, 1.0, low),
        "gap": np.where(inside, low, 1.0),
        "step": np.where(time < first, 1.0, 10.0 ** random.uniform(-2.0, 0.0)),
        "stairs": 10.0 ** -(np.floor(time / whole * random.integers(2, 9))
                            * random.uniform(0.05, 0.5)),
        "tremolo": 1.0 - random.uniform(0.05, 0.5)
        * (1.0 + np.sin(2.0 * math.pi * random.uniform(0.5, 8.0) * time)),
        "ramp": np.linspace(low, 1.0, len(time)),
        "last instant": np.where(time > whole - 0.003, 1.0, 0.0),
    }
    return made[kind]


def ordinary(random: Random) -> Recording:
    """A recording of one or two channels, 0.5 to 1.5 s."""
    rate = int(random.choice(RATES))
    time = np.arange(int(rate * random.uniform(0.5, 1.5))) / rate
    waves = []
    for _ in range(random.integers(1, 3)):
        wave = signal(str(random.choice(SIGNALS)), time, rate, random)
        wave = wave * course(str(random.choice(COURSES)), time, random)
        wave = wave + random.choice([0.0, 1e-6, 1e-3]) * random.standard_normal(len(time))
        wave = np.clip(wave + random.choice([0.0, 0.0, 0.02]), -1.0, 1.0)
        waves.append(np.round(wave * 32767) / 32768 if random.random() < 0.5 else wave)
    return Recording("x.wav", np.array(waves), float(rate), 16, len(time) / rate)


def told(made: Measurement) -> None:
    """Everything that a command prints of it can be printed, and is a number."""
    json.dumps(to_json(made), allow_nan=False)
    assert sheet_lines(made)
    assert measure_text(made, 80, False)
    assert all(math.isfinite(item.value) for item in made.items)


@pytest.mark.slow
@pytest.mark.parametrize("hundred", HUNDREDS)
def test_every_recording_is_measured_or_refused_in_words(hundred: int) -> None:
    measured_ones, refusals = 0, []
    for k in range(100):
        random = np.random.default_rng([hundred, k])
        recording = ordinary(random)
        if not recording.samples.any():
            continue
        try:
            told(measured(recording, Options(full_scale=2.0 if k % 2 else None)))
            measured_ones += 1
        except InputError as error:
            refusals.append(error)
    assert measured_ones > 80
    assert all(error.message and error.expected for error in refusals)


@pytest.mark.parametrize("seed", range(24))
@pytest.mark.parametrize("kind", ["late", "off", "step"])
def test_a_sine_that_comes_late_or_stops_has_its_own_level(kind: str, seed: int) -> None:
    random = np.random.default_rng([1, seed])
    rate, size = 8000, 10.0 ** random.uniform(-2.0, -0.1)
    time = np.arange(2 * rate) / rate
    at = random.uniform(0.2, 0.6)
    other = 0.3 * float(random.integers(0, 2))
    tall = time >= at if kind == "late" else time < 2.0 - at
    wave = size * np.sin(2.0 * math.pi * 997.3 * time) * np.where(tall, 1.0, other)
    made = measured(Recording("x.wav", wave[None, :], float(rate), 16, 2.0), Options("sine"))
    assert made.item("level").value == pytest.approx(20.0 * math.log10(size), abs=0.1)


def test_a_tone_that_decays_throughout_has_no_steady_stretch() -> None:
    """At 60 dB a second no block of 0.1 s lies within 1 dB of the level that most exceed."""
    time = np.arange(8000) / 8000
    wave = 10.0 ** (-3.0 * time) * np.sin(2.0 * math.pi * 440.0 * time)
    recording = Recording("x.wav", wave[None, :], 8000.0, 16, 1.0)
    assert steady(recording) is recording
    told(measured(recording, Options()))


def test_a_short_tone_in_digital_silence_is_the_level() -> None:
    """A recorder that writes zeros before and after: only the tone is a level."""
    time = np.arange(40000) / 8000
    wave = 0.5 * np.sin(2.0 * math.pi * 997.3 * time) * ((time > 2.0) & (time < 3.0))
    made = measured(Recording("x.wav", wave[None, :], 8000.0, 16, 5.0), Options())
    assert made.signal == "sine"
    assert made.item("level").value == pytest.approx(20.0 * math.log10(0.5), abs=0.1)


@pytest.mark.slow
def test_a_damaged_w64_is_refused_or_read(tmp_path: Path) -> None:
    """Any byte of its head changed, or the file cut: one message, or a recording."""
    time = np.arange(6000) / 8000
    path, trial = tmp_path / "whole.w64", tmp_path / "damaged.w64"
    soundfile.write(path, 0.3 * np.sin(2.0 * math.pi * 440.0 * time), 8000, subtype="PCM_16",
                    format="W64")
    raw, random = path.read_bytes(), np.random.default_rng(3)
    refused = 0
    for k in range(400):
        body = bytearray(raw)
        for place in random.integers(0, 136, int(random.integers(1, 4))):
            body[place] = int(random.choice([0, 1, 255, int(random.integers(256))]))
        if k % 4 == 0:
            start = int(random.integers(104, len(body)))
            body[start:] = bytes(len(body) - start) if k % 8 else b""
        trial.write_bytes(body)
        try:
            told(measure(trial))
        except InputError:
            refused += 1
    assert 50 < refused < 400


@pytest.mark.parametrize("size", [1e200, 1e30, 1e-200, 1e-30])
def test_samples_that_no_recorder_writes_are_refused(size: float, tmp_path: Path) -> None:
    """A level of 1e200 full scales has an infinite power, which is no JSON."""
    path = tmp_path / "x.wav"
    wave = size * np.sin(2.0 * math.pi * 440.0 * np.arange(8000) / 8000)
    soundfile.write(path, wave, 8000, subtype="DOUBLE")
    with pytest.raises(InputError, match="full scale"):
        load_recording(path)


@pytest.mark.parametrize("volts", [0.0, 1e300, 1e-300])
def test_a_full_scale_that_no_recorder_has_is_refused(volts: float) -> None:
    with pytest.raises(InputError, match="full scale"):
        checked_options(full_scale=volts)

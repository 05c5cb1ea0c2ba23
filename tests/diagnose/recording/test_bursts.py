"""Tone bursts: what a unit gives for a moment, against levels and sags that were put in.

Outside: 20 dB between bursts and what is between as they are played; a clipped sine's fundamental
and harmonics as Fourier has them; an exponential that is put on the gain in closed form.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.signals.recording import Recording
from diagnose.recording.measurement import Measurement
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.stimulus.samples import samples
from diagnose.stimulus.signal import Signal

RATE = 48000.0


def played(pilots: bool = True, tone: float = 1e3) -> np.ndarray:
    signal = Signal("bursts", 3.0, -6.0, (tone,), pilots=pilots)
    made: np.ndarray = samples(signal, RATE)[0]
    return made


def read(wave: np.ndarray) -> Measurement:
    noise = np.random.default_rng(3).normal(0.0, 1e-6, len(wave))
    recording = Recording("b", (wave + noise)[None, :], RATE, 24, len(wave) / RATE)
    return measured(recording, Options(full_scale=2.0))


@pytest.mark.parametrize("pilots", [True, False])
@pytest.mark.parametrize("tone", [300.0, 1e3, 3150.0])
def test_bursts_are_told_with_their_levels_and_no_reading(pilots: bool, tone: float) -> None:
    found = read(0.5 * played(pilots, tone))
    assert found.signal == "bursts"
    # 2 V at full scale, 6 dB below it, and half of that
    volts = 2.0 * 10.0 ** (-6.0 / 20.0) * 0.5
    assert found.item("level within bursts").value == pytest.approx(volts, rel=2e-3)
    assert found.item("level between them").value == pytest.approx(volts / 10.0, rel=2e-3)
    assert found.item("short of the 20 dB that were played").value == pytest.approx(0.0, abs=0.02)
    assert found.item("frequency").value == pytest.approx(tone, rel=1e-5)
    assert found.item("thd within bursts").value < 1e-3
    assert found.item("recovered after").bound == "<"
    # no reading of a sheet: nothing of it is ranked
    assert found.readings() == ()
    assert any("no reading of a moment" in note for note in found.notes)


def test_what_clips_in_bursts_falls_short_by_what_fourier_says() -> None:
    """Clipped at half of its peak the fundamental of a sine is 2/π·(φ + sin φ·cos φ), φ = 30°."""
    wave = played()
    top = float(np.abs(wave).max())
    found = read(np.clip(wave, -top / 2.0, top / 2.0))
    phi = math.asin(0.5)
    share = 2.0 / math.pi * (phi + 0.5 * math.cos(phi))
    short = found.item("short of the 20 dB that were played").value
    assert short == pytest.approx(-20.0 * math.log10(share), abs=0.1)
    # third and fifth: 2·c·(sin(2φ)/2·... ) by numbers, of one period sampled a thousand times finer
    time = np.arange(100_000) / 100_000
    lines = np.abs(np.fft.rfft(np.clip(np.sin(2.0 * np.pi * time), -0.5, 0.5)))[1:6]
    wanted = float(np.hypot.reduce(lines[1:]) / lines[0])
    assert found.item("thd within bursts").value == pytest.approx(wanted, rel=0.02)


def test_a_gain_that_sags_after_a_burst_is_told_with_its_time() -> None:
    """2 dB less at the end of a burst, back by e^(-t/50 ms): within 0.5 dB after 50 ms·ln 4."""
    wave = played()
    found = read(wave)
    assert found.alignment is not None
    time = np.arange(len(wave)) / RATE
    # where bursts end: every half second from where the signal starts, 20 ms later
    begin = found.alignment.start + 0.5
    since = np.mod(time - begin - 0.02, 0.5)
    sag = np.where((time > begin) & (since < 0.48), -2.0 * np.exp(-since / 0.05), 0.0)
    inside = (time > begin) & (since >= 0.48)
    sag[inside] = 0.0
    outside = (time < begin) | (time > found.alignment.start + found.alignment.apart - 0.3)
    sagged = np.where(outside, wave, wave * 10.0 ** (sag / 20.0))
    made = read(sagged)
    assert made.signal == "bursts"
    assert made.item("recovered after").value == pytest.approx(0.05 * math.log(4.0), abs=0.004)
    first = made.item("gain after a burst, at first").value
    assert first == pytest.approx(-2.0 * math.exp(-0.005 / 0.05), abs=0.1)


def test_steps_and_tones_are_no_bursts() -> None:
    for kind in ("sine", "tones", "steps", "sweep"):
        wave = samples(Signal(kind, 4.0, -10.0, pilots=False), RATE)[0]
        assert read(wave).signal != "bursts"

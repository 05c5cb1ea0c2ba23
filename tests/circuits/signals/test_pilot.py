"""Pilots against chirps that are put where no sample is, through noise, clocks and filters.

The closed form of the chirp is written down once more here, as a function of time, so that a delay
of any fraction of a sample and any ratio of clocks can be made exactly.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal as scipy_signal

from circuits.errors import InputError
from circuits.signals.pilot import SECONDS, find, pilot

RATE = 48000


def chirp(time: np.ndarray, down: bool, phase: float = 0.0) -> np.ndarray:
    slope = -8000.0 if down else 8000.0  # 2 kHz in 0.25 s
    off = time - 0.125
    edge = np.clip(np.minimum(time, 0.25 - time) / 0.05, 0.0, 1.0)
    angle = 2.0 * math.pi * (2000.0 * off + slope * off**2 / 2.0)
    return np.sin(0.5 * math.pi * edge) ** 2 * np.cos(angle + phase)


def recorded(
    start: float, ratio: float = 1.0, apart: float = 3.0, shaped: bool = False,
    noise: float = 0.0, phase: float = 0.0, rate: int = RATE,
) -> np.ndarray:
    time = np.arange(round((apart + 2.0) * rate)) / rate
    made = noise * np.random.default_rng(4).standard_normal(len(time))
    for begin, down in ((start, shaped), (start + apart * ratio, not shaped)):
        made += chirp((time - begin) / ratio, down, phase)
    return made


@pytest.mark.parametrize("down", [False, True])
def test_a_pilot_is_the_chirp(down: bool) -> None:
    time = np.arange(round(SECONDS * RATE)) / RATE
    assert pilot(RATE, down) == pytest.approx(chirp(time, down), abs=1e-12)


@pytest.mark.parametrize("rate", [8000, 44100])
def test_the_start_is_found_between_samples(rate: int) -> None:
    found = find(recorded(0.7123456, rate=rate), rate)
    assert found.start == pytest.approx(0.7123456, abs=0.002 / rate)
    assert found.ppm == pytest.approx(0.0, abs=1e-3)
    assert found.confidence > 0.99
    assert found.apart == 3.0


@pytest.mark.parametrize("ppm", [-3000.0, -40.0, 7.5, 100.0])
def test_clocks_are_compared(ppm: float) -> None:
    found = find(recorded(0.51, 1.0 + ppm * 1e-6), RATE)
    assert found.ppm == pytest.approx(ppm, abs=0.01)
    assert found.at(2.0) == pytest.approx(0.51 + 2.0 * (1.0 + ppm * 1e-6), abs=1e-6)


def test_noise_as_large_as_the_pilot_is_borne() -> None:
    """Noise of RMS 1 under a pilot of RMS 0.6."""
    found = find(recorded(0.6, 1.0 + 20e-6, noise=1.0), RATE)
    assert found.start == pytest.approx(0.6, abs=0.1 / RATE)
    assert found.ppm == pytest.approx(20.0, abs=1.0)


def test_the_order_says_that_the_signal_was_shaped() -> None:
    assert find(recorded(0.5, shaped=True), RATE).shaped
    assert not find(recorded(0.5), RATE).shaped


def test_polarity_and_phase_are_told_and_move_nothing() -> None:
    turned = find(recorded(0.5, phase=2.0), RATE)
    assert turned.phase == pytest.approx(2.0, abs=1e-3)
    assert turned.start == pytest.approx(0.5, abs=0.01 / RATE)
    inverted = find(-recorded(0.5), RATE)
    assert abs(inverted.phase) == pytest.approx(math.pi, abs=1e-3)


def test_through_a_filter_the_clock_stays_exact() -> None:
    """A band-pass of 3 kHz turns and delays both pilots alike."""
    sos = scipy_signal.butter(2, [200.0, 3000.0], "bandpass", fs=RATE, output="sos")
    found = find(scipy_signal.sosfilt(sos, recorded(0.5, 1.0 + 30e-6)), RATE)
    assert found.ppm == pytest.approx(30.0, abs=0.1)
    assert found.start == pytest.approx(0.5, abs=0.3e-3)


def test_the_channel_that_has_them_is_taken() -> None:
    quiet = 1e-3 * np.random.default_rng(5).standard_normal((1, 5 * RATE))
    assert find(np.vstack([quiet, recorded(0.5)]), RATE).channel == 1


@pytest.mark.parametrize(
    ("wave", "said"),
    [
        (recorded(0.5)[: 3 * RATE], "holds one pilot but not a second"),
        (np.random.default_rng(6).standard_normal(4 * RATE), "does not hold two pilots"),
        (np.sin(2.0 * math.pi * 2000.0 * np.arange(4 * RATE) / RATE), "does not hold two pilots"),
        (np.zeros(4 * RATE), "does not hold two pilots"),
        (np.zeros(100), "too short"),
    ],
)
def test_what_has_no_two_pilots_says_so(wave: np.ndarray, said: str) -> None:
    with pytest.raises(InputError, match=said):
        find(wave, RATE)


def test_a_gap_in_the_recording_is_no_clock() -> None:
    """A tenth of a second was dropped in the middle."""
    wave = recorded(0.5)
    cut = np.concatenate([wave[: 2 * RATE], wave[2 * RATE + RATE // 10 :]])
    with pytest.raises(InputError, match="apart instead of"):
        find(cut, RATE)


def test_a_dropped_buffer_shows_in_the_clock() -> None:
    """512 samples of 3 s are 3556 ppm, which no two quartz clocks are apart."""
    wave = recorded(0.5)
    cut = np.concatenate([wave[: 2 * RATE], wave[2 * RATE + 512 :]])
    assert find(cut, RATE, 3.0).ppm < -3000.0

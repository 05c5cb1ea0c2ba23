"""Sweeps against what was put into them, and against scipy and pyfar on the same signal.

A polynomial of a sine of peak A: x + a·x² + b·x³ has a second harmonic of a·A²/2, a third of
b·A³/4 and a fundamental of A + ¾·b·A³ (powers of a cosine). It is made at four times the rate, so
that nothing folds back.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy import signal as scipy_signal

from circuits.signals.ridge import ridge
from circuits.signals.sweep import Sweep, planned, values
from circuits.signals.swept import Swept, answer_peak, swept

RATE = 48000.0
SIZE = 0.1
BEFORE, AFTER = 0.25, 0.6
"""s."""
AT = (25.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 3000.0, 6000.0, 10e3, 19e3)
FROM_200 = slice(3, None)


@cache
def sweep(seconds: float = 5.0) -> Sweep:
    return planned((20.0, 20e3), seconds, RATE)


@cache
def played(seconds: float = 5.0, ratio: float = 1.0, times: int = 1) -> np.ndarray:
    plan = sweep(seconds)
    count = round((plan.seconds + BEFORE + AFTER) * RATE * times)
    return SIZE * values(plan, (np.arange(count) / (RATE * times) - BEFORE) / ratio)


def bent(second: float, third: float, seconds: float = 5.0) -> np.ndarray:
    """The polynomial x + second·x²/A + third·x³/A²."""
    x = played(seconds, 1.0, 4)
    return scipy_signal.resample_poly(x + second * x**2 / SIZE + third * x**3 / SIZE**2, 1, 4)


def noise(rms: float, count: int, seed: int = 3) -> np.ndarray:
    return rms * np.random.default_rng(seed).standard_normal(count)


def read(wave: np.ndarray, seconds: float = 5.0, ratio: float = 1.0) -> Swept:
    return swept(wave, RATE, sweep(seconds), BEFORE, AT, ratio)


def db(x: object) -> np.ndarray:
    return 20.0 * np.log10(np.abs(np.asarray(x)))


def test_a_wire_is_flat_and_has_no_harmonics() -> None:
    found = read(played())
    assert db(found.response / SIZE) == pytest.approx(np.zeros(len(AT)), abs=1e-4)
    assert np.angle(found.response, deg=True) == pytest.approx(np.zeros(len(AT)), abs=0.01)
    read_orders = found.harmonics[~np.isnan(found.harmonics)]
    assert db(read_orders / SIZE).max() < -150.0


@pytest.mark.slow
def test_the_harmonics_of_a_polynomial_are_those_of_the_closed_form() -> None:
    """Within 0.02 dB from 200 Hz on, as far as half the rate holds them."""
    found = read(bent(0.01, 0.02))
    whole = SIZE * (1.0 + 0.75 * 0.02)
    assert db(found.response[:-1] / whole) == pytest.approx(np.zeros(9), abs=0.02)
    for row, size in ((0, 0.01 * SIZE / 2.0), (1, 0.02 * SIZE / 4.0)):
        shown = found.harmonics[row][FROM_200]
        told = shown[~np.isnan(shown)]
        assert len(told) >= 4
        assert db(told / size) == pytest.approx(np.zeros(len(told)), abs=0.02)
    # the fourth and fifth, which a cubic has not, lie within what the method says of itself
    for row in (2, 3):
        there = ~np.isnan(found.harmonics[row])
        assert db(found.harmonics[row][there] / SIZE).max() < -110.0


def test_below_200_hz_no_harmonic_is_told() -> None:
    assert np.isnan(read(played()).harmonics[:, :3]).all()


@pytest.mark.parametrize(
    ("order", "edges", "kind"), [(1, 40.0, "highpass"), (2, 8000.0, "lowpass")]
)
def test_filters_are_read_with_their_phase(order: int, edges: float, kind: str) -> None:
    """Butterworth filters, by the response that scipy works out from their coefficients."""
    sos = scipy_signal.butter(order, edges, kind, fs=RATE, output="sos")
    found = read(scipy_signal.sosfilt(sos, played()))
    wanted = scipy_signal.freqz_sos(sos, AT, fs=RATE)[1]
    assert db(found.response / SIZE / wanted) == pytest.approx(np.zeros(len(AT)), abs=0.05)
    assert np.angle(found.response / wanted, deg=True) == pytest.approx(
        np.zeros(len(AT)), abs=0.5)


@pytest.mark.slow
def test_noise_has_the_floor_that_it_makes() -> None:
    """Noise alone in the place of harmonics lies about its floor, as far as chance goes.

    The square of the size of noise over its mean square is exponential, of mean 1: over n of
    these the mean has a standard deviation of 1/√n.
    """
    count = len(played())
    shares = []
    for seed in range(3):
        found = read(played() + noise(1e-3, count, seed))
        there = ~np.isnan(found.harmonics)
        shares += list(np.square(found.harmonics[there] / found.floors[there]))
    n = len(shares)
    assert n > 60
    assert np.mean(shares) == pytest.approx(1.0, abs=4.0 / math.sqrt(n) + 0.15)


def test_the_response_strays_by_its_floor() -> None:
    found = read(played() + noise(1e-3, len(played())))
    assert (np.abs(found.response - SIZE) < 4.0 * found.floor).all()
    assert (found.floor > 1e-6 * SIZE).all()


def test_mains_lines_are_taken_out() -> None:
    """Hum 40 dB below the sweep, of which what is left moves nothing by 0.05 dB."""
    time = np.arange(len(played())) / RATE
    hum = sum(1e-3 / k * np.sin(2.0 * math.pi * 49.97 * k * time + k) for k in (1, 2, 3))
    found = read(played() + hum)
    assert found.mains[:2] == pytest.approx((49.97, 99.94), abs=0.01)
    assert db(found.response / SIZE) == pytest.approx(np.zeros(len(AT)), abs=0.05)
    there = ~np.isnan(found.harmonics)
    assert db(found.harmonics[there] / SIZE).max() < -80.0


@pytest.mark.slow
def test_a_clock_that_runs_off_is_followed() -> None:
    """500 ppm, which without would turn the phase of 19 kHz by whole turns."""
    found = read(played(5.0, 1.0005), ratio=1.0005)
    assert db(found.response / SIZE) == pytest.approx(np.zeros(len(AT)), abs=1e-3)
    assert np.angle(found.response, deg=True) == pytest.approx(np.zeros(len(AT)), abs=0.05)
    astray = read(played(5.0, 1.0005))
    assert np.abs(np.angle(astray.response[-1:], deg=True)) > 5.0


@pytest.mark.slow
def test_scipy_reads_the_same_response() -> None:
    """By the cross spectrum over the power spectrum of what was played (scipy.signal)."""
    sos = scipy_signal.cheby1(2, 3.0, 3000.0, fs=RATE, output="sos")
    x = played()
    y = scipy_signal.sosfilt(sos, x)
    size = len(x)
    frequency, cross = scipy_signal.csd(x, y, RATE, "boxcar", size, detrend=False)
    power = scipy_signal.welch(x, RATE, "boxcar", size, detrend=False)[1]
    mine = read(y).response / SIZE
    for f, ours in zip(AT[2:-1], mine[2:-1], strict=True):
        theirs = cross[np.abs(frequency - f).argmin()] / power[np.abs(frequency - f).argmin()]
        assert db(ours / theirs) == pytest.approx(0.0, abs=0.03)


@pytest.mark.slow
def test_pyfar_reads_the_same_response() -> None:
    pyfar = pytest.importorskip("pyfar")
    sos = scipy_signal.cheby1(2, 3.0, 3000.0, fs=RATE, output="sos")
    x = played()
    y = scipy_signal.sosfilt(sos, x) + noise(1e-5, len(x))
    inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(
        pyfar.Signal(x, RATE), (20, 20e3)).invert
    answer = pyfar.dsp.convolve(pyfar.Signal(y, RATE), inverse, mode="cyclic")
    shaped = pyfar.dsp.time_window(answer, [0.4, 0.5], "hann", shape="right", unit="s")
    mine = read(y).response / SIZE
    for f, ours in zip(AT[2:-1], mine[2:-1], strict=True):
        place = int(np.abs(shaped.frequencies - f).argmin())
        assert db(ours / shaped.freq[0, place]) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("seconds", [2.0, 5.0, 12.0])
@pytest.mark.parametrize("known", [True, False])
def test_a_sweep_is_known_by_itself(seconds: float, known: bool) -> None:
    wave = played(seconds) + noise(1e-4, len(played(seconds)))
    found = ridge(wave, RATE, BEFORE if known else None)
    assert found is not None
    assert (found.sweep.constant, found.sweep.first) == (sweep(seconds).constant, 10.0)
    assert found.sweep.high == pytest.approx(20e3, rel=0.06)
    late = answer_peak(wave, RATE, found.sweep, found.start)
    assert found.start + late == pytest.approx(BEFORE, abs=1.0 / RATE)


@pytest.mark.parametrize("what", ["sine", "noise", "square", "linear chirp", "silence"])
def test_what_is_no_sweep_is_none(what: str) -> None:
    time = np.arange(round(3.0 * RATE)) / RATE
    wave = {
        "sine": np.sin(2.0 * math.pi * 997.0 * time),
        "noise": noise(0.1, len(time)),
        "square": scipy_signal.square(2.0 * math.pi * 500.0 * time),
        "linear chirp": scipy_signal.chirp(time, 400.0, 3.0, 8000.0),
        "silence": np.zeros(len(time)),
    }[what]
    assert ridge(wave, RATE) is None

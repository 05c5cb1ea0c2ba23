"""Square waves put together from their harmonics, against closed forms.

A square wave through one pole: its harmonics are those of the Fourier series, 4/(πk), times the
pole's response; rise time ln 9 / 2πf (2.197 time constants); tilt of a high-pass with corner f_L
1 − e^(−π f_L/f) of the start of a flat.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.signals.period import EDGE_SAMPLES, one_period, steps

LN9 = math.log(9.0)


def square(
    frequency: float, rate: float, low_pass: float = math.inf, high_pass: float = 0.0,
    damping: float = 0.0, count: int = 60_000,
) -> np.ndarray:
    """As a recorder with an ideal filter takes it; with `damping` the low-pass has two poles."""
    time = np.arange(count) / rate
    wave = np.zeros(count)
    for k in range(1, int(0.49 * rate / frequency) + 1, 2):
        s = 1j * k * frequency / low_pass
        response = 1.0 / (1.0 + 2.0 * damping * s + s * s) if damping else 1.0 / (1.0 + s)
        response *= k * frequency / (k * frequency - 1j * high_pass)
        angle = 2.0 * math.pi * k * frequency * time + np.angle(response)
        wave += 4.0 / (math.pi * k) * abs(response) * np.sin(angle)
    return wave


@pytest.mark.parametrize("corner", [1e3, 3e3, 7e3, 12e3])
def test_rise_time_of_one_pole(corner: float) -> None:
    seen = steps(*one_period(square(103.3, 96e3, corner), 96e3, 103.0))
    alone = LN9 / (2.0 * math.pi * corner)
    # the recorder's own edge adds at most in quadrature
    assert 0.99 * alone < seen.rise < 1.01 * math.hypot(alone, EDGE_SAMPLES / 96e3)
    assert seen.overshoot < 0.005
    assert seen.size == pytest.approx(2.0, rel=0.01)


def test_a_fast_edge_shows_the_recorder() -> None:
    """0.446 over the band, here 0.49 of the rate: the step response of an ideal low-pass."""
    seen = steps(*one_period(square(503.3, 96e3), 96e3, 503.3))
    assert seen.rise == pytest.approx(0.446 / (0.49 * 96e3), rel=0.01)
    assert seen.rise < 1.01 * EDGE_SAMPLES / 96e3


def test_a_square_wave_in_step_with_the_rate_is_read_as_well() -> None:
    """1 kHz at 48 kHz has 48 samples a period, always the same."""
    seen = steps(*one_period(square(1e3, 48e3, 4e3), 48e3, 1e3))
    assert seen.rise == pytest.approx(LN9 / (2.0 * math.pi * 4e3), rel=0.05)
    assert seen.size == pytest.approx(2.0, rel=0.01)


def test_overshoot_of_two_poles() -> None:
    """e^(−πζ/√(1−ζ²)): 16.3 % at ζ = 0.5."""
    expected = math.exp(-math.pi * 0.5 / math.sqrt(0.75))
    seen = steps(*one_period(square(103.3, 96e3, 5e3, damping=0.5), 96e3, 103.3))
    assert seen.overshoot == pytest.approx(expected, abs=0.005)


def test_tilt_of_a_coupling() -> None:
    """2 Hz at 100 Hz: 6.09 %."""
    seen = steps(*one_period(square(100.0, 96e3, 40e3, high_pass=2.0), 96e3, 100.0))
    assert seen.tilt == pytest.approx(1.0 - math.exp(-math.pi * 2.0 / 100.0), abs=5e-4)
    assert seen.tilt == pytest.approx(0.0609, abs=5e-4)


def test_slow_edges_hide_the_tilt() -> None:
    assert steps(*one_period(square(1003.0, 96e3, 5e3), 96e3, 1003.0)).tilt is None


@pytest.mark.slow
def test_too_few_periods_are_refused() -> None:
    with pytest.raises(ValueError, match="periods"):
        one_period(square(20.0, 96e3), 96e3, 20.0)


def test_a_wave_without_edges_is_refused() -> None:
    time, values = one_period(square(503.3, 96e3), 96e3, 503.3)
    narrow = np.where(time < time[-1] / 10.0, 1.0, -1.0)
    with pytest.raises(ValueError, match="edge"):
        steps(time, narrow)
    with pytest.raises(ValueError, match="edge"):
        steps(time, np.zeros_like(values))


def test_edges_that_never_settle_are_refused() -> None:
    with pytest.raises(ValueError, match="lower frequency"):
        steps(*one_period(square(1003.0, 96e3, 1e3), 96e3, 1003.0))

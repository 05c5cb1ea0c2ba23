"""Lines, steps and tilt of waveforms whose answer is known in closed form.

Sources: Fourier series of the square, triangular and sawtooth wave and of a clipped sine (computed
here from the series or by quadrature, and printed in any handbook); the products of a polynomial
(trigonometry); the definitions of IEC 60268-3 (from memory); one-pole and two-pole step responses.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate

from circuits.signals import waveform

F = 1000.0


def uneven(periods: float, points: int, frequency: float = F) -> waveform.Floats:
    """Times as a simulator leaves them: every step between half and one and a half of the mean."""
    random = np.random.default_rng(7)
    steps = random.uniform(0.5, 1.5, points)
    return np.cumsum(steps) / steps.sum() * periods / frequency


def sine(time: waveform.Floats, frequency: float = F) -> waveform.Floats:
    return np.cos(2.0 * math.pi * frequency * time)


@pytest.mark.parametrize(
    "time",
    [uneven(2.0, 400), np.arange(4800) / 48e3, np.arange(1111) / 44.1e3],
    ids=["uneven", "even", "no whole period"],
)
def test_known_harmonics_on_a_drift(time: waveform.Floats) -> None:
    """What was put in comes out, beside 30 V of direct voltage and a drift."""
    span = time[-1]
    wave = 30.0 + 0.3 * time / span - 0.2 * (time / span) ** 3
    wave += 2.0 * sine(time) + 2e-4 * np.sin(4.0 * math.pi * F * time) - 3e-7 * sine(time, 3.0 * F)
    found = waveform.harmonics(time, wave, F, count=12)
    assert found.amplitudes[0] == pytest.approx(2.0, abs=1e-12)
    assert found.amplitudes[1] == pytest.approx(-2e-4j, abs=1e-12)
    assert found.amplitudes[2] == pytest.approx(-3e-7, abs=1e-12)
    # nothing where nothing is: −240 dB of the fundamental
    assert np.abs(found.amplitudes[3:]).max() < 2e-12
    assert waveform.thd(found) == pytest.approx(math.hypot(2e-4, 3e-7) / 2.0, rel=1e-8)
    assert waveform.harmonic(found, 2) == pytest.approx(1e-4, rel=1e-8)
    assert found.mean == pytest.approx(30.0 + 0.15 - 0.05, abs=0.01)
    assert found.residual < 1e-12


def test_total_harmonic_distortion_of_square_triangle_and_sawtooth() -> None:
    """48.343, 12.115 and 80.307 % when all harmonics count: √(π²/8 − 1), √(π⁴/96 − 1), √(π²/6 − 1).

    Of harmonics 2 to 10 alone, which the contract counts, the sums of their series.
    """
    assert math.sqrt(math.pi**2 / 8 - 1) == pytest.approx(0.48343, abs=5e-6)
    assert math.sqrt(math.pi**4 / 96 - 1) == pytest.approx(0.12115, abs=5e-6)
    assert math.sqrt(math.pi**2 / 6 - 1) == pytest.approx(0.80307, abs=1e-5)
    time = np.arange(20000) / 20000.0 * 2.0 / F
    phase = 2.0 * math.pi * np.arange(1, 31)[:, None] * F * time
    orders = np.arange(1, 31)
    odd = orders % 2 == 1
    square, triangle = np.where(odd, 1.0 / orders, 0.0), np.where(odd, 1.0 / orders**2, 0.0)
    for sizes in (square, triangle, 1.0 / orders):
        found = waveform.harmonics(time, sizes @ np.sin(phase), F)
        assert waveform.thd(found) == pytest.approx(np.sqrt((sizes[1:10] ** 2).sum()), rel=1e-9)
        whole = np.linalg.norm(np.abs(found.amplitudes[1:]))
        assert whole == pytest.approx(np.sqrt((sizes[1:] ** 2).sum()), rel=1e-9)


CLIPPED = ((0.95, 1.924), (0.9, 4.220), (0.8, 8.979), (0.5, 23.294))
"""A sine clipped at a part of its peak: distortion in %, all harmonics."""


@pytest.mark.parametrize(("at", "percent"), CLIPPED)
def test_clipped_sine(at: float, percent: float) -> None:
    """All harmonics by Parseval's theorem, and each fitted one by quadrature of its integral."""
    time = np.arange(40000) / 40000.0 * 2.0 / F
    found = waveform.harmonics(time, np.clip(sine(time), -at, at), F, count=60)

    def part(order: int) -> float:
        edge = math.acos(at)
        value, _ = scipy.integrate.quad(
            lambda x: min(max(math.cos(x), -at), at) * math.cos(order * x),
            0.0, math.pi, points=[edge, math.pi - edge], limit=200,
        )
        return 2.0 / math.pi * value

    parts = [part(k) for k in range(1, 11)]
    assert found.amplitudes[:10].real == pytest.approx(parts, abs=2e-6)
    assert waveform.thd(found) == pytest.approx(np.linalg.norm(parts[1:]) / parts[0], abs=3e-6)
    power, _ = scipy.integrate.quad(
        lambda x: min(max(math.cos(x), -at), at) ** 2, 0.0, math.pi, points=[math.acos(at)]
    )
    total = math.sqrt(2.0 / math.pi * power - parts[0] ** 2) / parts[0]
    assert total * 100.0 == pytest.approx(percent, abs=5e-4)
    assert waveform.thd_and_noise(found) * 100.0 == pytest.approx(percent, abs=0.002)


@pytest.mark.slow
def test_distortion_and_noise_add_as_powers() -> None:
    """H2 1 %, H3 0.5 %, noise 0.1 %: THD 1.1180 %, THD+N 1.1225 %, SINAD 39.00 dB."""
    time = np.arange(480000) / 48e3
    noise = np.random.default_rng(3).normal(size=time.size)
    noise *= 1e-3 / math.sqrt(2.0) / noise.std()
    wave = sine(time) + 0.01 * sine(time, 2 * F) + 0.005 * sine(time, 3 * F) + noise
    found = waveform.harmonics(time, wave, F)
    # each line is uncertain by the noise in its bin, 1.4e-6
    assert waveform.thd(found) == pytest.approx(0.011180, abs=5e-6)
    both = waveform.thd_and_noise(found)
    assert both == pytest.approx(0.011225, abs=5e-6)
    assert -20.0 * math.log10(both) == pytest.approx(39.00, abs=0.005)


def test_the_floor_of_an_analyser_bounds_both_terms() -> None:
    """Nothing over nothing is everything: a dead unit reads 100 %, as the meter does."""
    nothing = waveform.Spectrum(F * np.arange(1, 11), np.zeros(10, complex), 0.0, 0.0)
    assert waveform.thd(nothing, 1e-7) == pytest.approx(1.0)
    assert waveform.harmonic(nothing, 3, 1e-7) == pytest.approx(1.0)


def test_a_recorded_tone_is_tuned() -> None:
    """A generator at 1000.37 Hz, taken for 1 kHz: exact to a part in 10⁹, harmonics to −170 dB."""
    time = np.arange(9600) / 48e3
    wave = sine(time, 1000.37) + 1e-3 * sine(time, 3 * 1000.37)
    frequency = waveform.tuned(time, wave, 1000.0)
    assert frequency == pytest.approx(1000.37, rel=1e-9)
    found = waveform.harmonics(time, wave, frequency)
    assert waveform.harmonic(found, 3) == pytest.approx(1e-3, rel=1e-6)
    assert waveform.harmonic(found, 2) < 3e-9


def polynomial(x: waveform.Floats) -> waveform.Floats:
    return x + 0.01 * x * x + 0.004 * x * x * x


def test_difference_tone() -> None:
    """For y = x + .01x² + .004x³, tones of .5: d2 .249 %, d3 .0748 % (trigonometry)."""
    time = np.arange(4000) / 4e6
    wave = polynomial(0.5 * sine(time, 19e3) + 0.5 * sine(time, 20e3))
    found = waveform.lines(time, wave, waveform.products(19e3, 20e3))
    made = waveform.difference_tone(found, 19e3, 20e3)
    size = 0.5 + 0.004 * 2.25 * 0.125
    assert made.second == pytest.approx(0.0025 / (2.0 * size), rel=1e-9)
    assert made.second == pytest.approx(0.00249, abs=5e-6)
    assert made.third == pytest.approx(0.000748, abs=5e-7)
    assert made.total == pytest.approx(math.hypot(0.00249, 0.000748), rel=3e-3)


def test_modulation() -> None:
    """The same, .8 at 60 Hz and .2 at 7 kHz: m2 1.594 %, m3 .382 %."""
    time = np.arange(8000) / 160e3
    wave = polynomial(0.8 * sine(time, 60.0) + 0.2 * sine(time, 7e3))
    made = waveform.modulation(
        waveform.lines(time, wave, waveform.products(60.0, 7e3)), 60.0, 7e3
    )
    assert made.second == pytest.approx(0.01594, abs=5e-6)
    assert made.third == pytest.approx(0.00382, abs=5e-6)


def test_rise_time_of_one_pole() -> None:
    """It is ln 9 / 2πf: 3.5 µs at 100 kHz; falling edges as well."""
    time = np.linspace(0.0, 2e-5, 4001)
    step = 1.0 - np.exp(-2.0 * math.pi * 100e3 * time)
    assert waveform.rise_time(time, step, 0.0, 1.0) == pytest.approx(
        math.log(9.0) / (2.0 * math.pi * 100e3), rel=1e-6
    )
    assert waveform.rise_time(time, 3.0 - 2.0 * step, 3.0, 1.0) == pytest.approx(3.5e-6, rel=2e-3)
    assert waveform.overshoot(step, 0.0, 1.0) == 0.0


@pytest.mark.parametrize("damping", [0.2, 0.5, 0.7])
def test_overshoot_of_two_poles(damping: float) -> None:
    """exp(−πζ/√(1−ζ²)): 52.66, 16.30 and 4.60 % (control theory)."""
    time = np.linspace(0.0, 10.0, 100001)
    rate = math.sqrt(1.0 - damping**2)
    swing = np.cos(rate * time) + damping / rate * np.sin(rate * time)
    step = 1.0 - np.exp(-damping * time) * swing
    expected = math.exp(-math.pi * damping / rate)
    assert waveform.overshoot(step, 0.0, 1.0) == pytest.approx(expected, abs=1e-6)
    assert waveform.overshoot(-2.0 * step, 0.0, -2.0) == pytest.approx(expected, abs=1e-6)


def test_tilt_of_a_square_wave() -> None:
    """A corner at 2 Hz, 100 Hz square wave: 1 − exp(−π·2/100) = 6.09 %, with soft edges as well."""
    time = np.linspace(0.0, 5e-3, 1001)
    flat = 0.7 * np.exp(-2.0 * math.pi * 2.0 * time)
    assert waveform.tilt(time, flat) == pytest.approx(0.0609, abs=5e-5)
    assert waveform.tilt(time, 5.0 - flat, middle=5.0) == pytest.approx(0.0609, abs=5e-5)
    soft = flat * (1.0 - np.exp(-time / 2e-5))
    assert waveform.tilt(time, soft) == pytest.approx(0.0609, abs=5e-4)


def test_mean_of_uneven_points() -> None:
    """|cos| over whole periods: 2/π."""
    time = uneven(3.0, 6000)
    assert waveform.average(time, np.abs(sine(time))) == pytest.approx(2.0 / math.pi, abs=1e-4)


def test_too_few_points_are_refused() -> None:
    time = np.arange(40) / 40e3
    with pytest.raises(ValueError, match="do not hold"):
        waveform.lines(time, sine(time), [F * k for k in range(1, 31)])
    with pytest.raises(ValueError, match="too far apart"):
        waveform.harmonics(np.arange(10) / 1e3, np.zeros(10), F)

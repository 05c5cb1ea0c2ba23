"""ITU-R BS.468 against the tables of the recommendation, and both weightings on white noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from scipy.integrate import quad

from circuits.signals.weighting import SETTLED, itu_468_db, power_weights, quasi_peak, weighted_468
from tests.published.read import published

TABLE = published("itu_468")
BURSTS = TABLE["detector"]
RATE = 48e3


def tone(seconds: float, frequency: float = 5e3) -> np.ndarray:
    return np.sin(2.0 * math.pi * frequency * np.arange(round(seconds * RATE)) / RATE)


def shown(wave: np.ndarray) -> float:
    return float(quasi_peak(wave, RATE).max())


def test_the_curve_is_that_of_the_table() -> None:
    for frequency, level in TABLE["levels"].items():
        assert itu_468_db(frequency) == pytest.approx(level, abs=TABLE["tolerance"]), frequency


def test_of_a_steady_sine_the_detector_shows_its_rms_value() -> None:
    for frequency in (200.0, 1e3, 5e3):
        found = quasi_peak(0.3 * tone(1.5, frequency), RATE)[-1]
        assert found == pytest.approx(0.3 * math.sqrt(0.5), rel=0.01), frequency


def test_it_settles_in_the_time_that_is_said() -> None:
    found = quasi_peak(tone(2.0, 1e3), RATE)
    assert found[round(SETTLED * RATE)] == pytest.approx(found[-1], rel=0.01)


@pytest.mark.parametrize(("milliseconds", "per_cent"), BURSTS["single"].items())
def test_single_bursts(milliseconds: float, per_cent: float) -> None:
    burst = np.concatenate([tone(milliseconds * 1e-3), np.zeros(round(0.5 * RATE))])
    level = 20.0 * math.log10(shown(burst) / shown(tone(1.5)))
    assert level == pytest.approx(20.0 * math.log10(per_cent / 100.0), abs=BURSTS["tolerance"])


@pytest.mark.parametrize(("a_second", "per_cent"), BURSTS["repeated"].items())
def test_repeated_bursts(a_second: float, per_cent: float) -> None:
    one = np.zeros(round(RATE / a_second))
    one[: round(0.005 * RATE)] = tone(0.005)
    level = 20.0 * math.log10(shown(np.tile(one, round(2.0 * a_second))) / shown(tone(1.5)))
    assert level == pytest.approx(20.0 * math.log10(per_cent / 100.0), abs=BURSTS["tolerance"])


@pytest.mark.parametrize("rate", [44.1e3, 48e3, 96e3, 192e3])
def test_a_tone_behind_the_network_has_the_level_of_the_table(rate: float) -> None:
    """The rate falls to what the detector needs; the level does not change."""
    for frequency in (400.0, 6300.0, 14000.0):
        wave = np.sin(2.0 * math.pi * frequency * np.arange(round(rate)) / rate)
        made, lowered = weighted_468(wave, rate)
        assert lowered == pytest.approx(min(rate, 48e3), rel=1e-3)
        level = 20.0 * math.log10(float(np.std(made)) / math.sqrt(0.5))
        assert level == pytest.approx(TABLE["levels"][frequency], abs=0.1)


def test_noise_reads_4_db_higher_on_the_detector_than_its_rms_value() -> None:
    """Where charge and discharge balance on normally distributed values of σ = 1.

    charge · 2(φ(u) − u·Q(u)) = discharge · u holds at u = 2.15 for the rates 674.7 and 3.5; of a
    sine it holds at 0.959 of its peak. So noise reads 2.15 / 0.959 · √½ = 1.585 of its RMS value.
    """
    u = 2.15
    mean = 2.0 * (scipy.stats.norm.pdf(u) - u * scipy.stats.norm.sf(u))
    assert 674.7 * mean == pytest.approx(3.5 * u, rel=0.02)
    noise = np.random.default_rng(5).standard_normal(round(4.0 * RATE))
    made, rate = weighted_468(noise, RATE)
    found = quasi_peak(made, rate)[round(SETTLED * rate) :]
    level = 20.0 * math.log10(float(np.median(found)) / float(np.std(made)))
    assert level == pytest.approx(20.0 * math.log10(1.585), abs=0.3)


def test_weights_are_of_power() -> None:
    """White noise 20 Hz to 20 kHz through A: −2.05 dB, integrated by an integrator not ours."""
    for word, expected in (("", 0.0), ("A", -2.05)):
        power, _ = quad(lambda f, w=word: float(power_weights(w, np.array([f]))[0]), 20.0, 20e3,
                        limit=200)
        assert 10.0 * math.log10(power / 19980.0) == pytest.approx(expected, abs=0.005)
    with pytest.raises(KeyError):
        power_weights("B", np.array([1e3]))

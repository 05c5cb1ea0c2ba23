"""The curves of `circuits.curves` against the tables of the standards and their own definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from circuits.bench.noise import rms
from circuits.curves import a_weighting_db, riaa_db
from tests.published.read import published

RIAA = published("riaa")
A = published("a_weighting")


def exact(nominal: float) -> float:
    """The exact frequency behind a nominal third-octave one (IEC 61260, base ten)."""
    return float(1000.0 * 10.0 ** (round(10.0 * math.log10(nominal / 1000.0)) / 10.0))


def test_riaa_at_the_frequencies_of_the_table() -> None:
    # A printed number is right to half of its last digit.
    for frequency, level in RIAA["levels"].items():
        assert riaa_db(frequency) == pytest.approx(level, abs=0.0006), frequency


def test_riaa_agrees_with_a_printed_standard() -> None:
    table = RIAA["printed"]
    for frequency, level in table["levels"].items():
        assert riaa_db(frequency) == pytest.approx(level, abs=table["tolerance"])


def test_riaa_is_its_three_time_constants() -> None:
    """H(s) = (1 + s·318 µs) / ((1 + s·3180 µs)(1 + s·75 µs)), IEC 60098 (from memory)."""

    def transfer(frequency: float) -> complex:
        s = 2j * math.pi * frequency
        return (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))

    for frequency in (5.0, 20.0, 440.0, 1000.0, 2122.0, 15e3, 60e3):
        level = 20.0 * math.log10(abs(transfer(frequency) / transfer(1000.0)))
        assert riaa_db(frequency) == pytest.approx(level, abs=1e-9)


def test_riaa_takes_arrays() -> None:
    frequencies = np.array([[20.0, 100.0], [1e3, 1e4]])
    assert riaa_db(frequencies).shape == (2, 2)
    assert riaa_db(frequencies)[1, 0] == 0.0


def test_a_weighting_table() -> None:
    for nominal, level in A["levels"].items():
        # The table is rounded to 0.1 dB.
        assert a_weighting_db(exact(nominal)) == pytest.approx(level, abs=A["tolerance"] + 1e-3)


def test_a_weighting_of_white_noise() -> None:
    """Power density times the weighting, integrated by an integrator that is not ours."""
    about = A["white noise 20 Hz to 20 kHz"]
    power, _ = quad(lambda f: float(10.0 ** (a_weighting_db(f) / 10.0)), 20.0, 20e3, limit=200)
    assert 10.0 * math.log10(power / 19980.0) == pytest.approx(about["change"], abs=0.005)
    grid = np.geomspace(20.0, 20e3, 31)
    flat = np.full_like(grid, 1e-8)
    change = 20.0 * math.log10(rms(grid, flat, weighting="A") / rms(grid, flat))
    # Thirty points carry the weighting in straight pieces, hence the wider limit.
    assert change == pytest.approx(about["change"], abs=0.05)


def test_noise_in_a_band_is_exact_for_white_and_pink() -> None:
    """White: e·√(f2 − f1). Power as 1/f from 1 kHz: e·√(fc·ln(f2/f1))."""
    grid = np.geomspace(20.0, 20e3, 7)
    assert rms(grid, np.full(7, 2e-9)) == pytest.approx(2e-9 * math.sqrt(19980.0), rel=1e-9)
    pink = 2e-9 * np.sqrt(1000.0 / grid)
    expected = 2e-9 * math.sqrt(1000.0 * math.log(1000.0))
    assert rms(grid, pink) == pytest.approx(expected, rel=1e-9)
    narrow = 2e-9 * math.sqrt(1000.0 * math.log(4.0))
    assert rms(grid, pink, (50.0, 200.0)) == pytest.approx(narrow, rel=1e-9)

"""Wires that the model lacks: beside an impedance, and what leaks along them through a dead stage.

R beside C is R / √(1 + (ωRC)²), by any textbook; how much capacitance leads and wiring have is
judgement (``model_error.yaml``).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.reading import Reading, compared
from diagnose.inference.model_error import model_covariance, own_sigma

NAMES = ["input impedance", "output impedance"]


def sigma(reading: Reading, value: float) -> float:
    (found,) = own_sigma([reading], np.array([value]))
    return float(found)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("ohms", "hertz"), [(47e3, 1e3), (1e6, 1e3), (6e6, 1e3), (47e3, 2e4)])
def test_what_they_take_of_an_impedance_is_within_its_error(
    name: str, ohms: float, hertz: float
) -> None:
    reading = Reading(name, frequency=hertz)
    wired = ohms / math.hypot(1.0, 2.0 * math.pi * hertz * ohms * 50e-12)
    bare = compared(reading, ohms)
    assert abs(bare - compared(reading, wired)) <= 2.0 * sigma(reading, bare)
    if ohms < 1e5 and hertz < 1e4:  # and an ordinary one is as sure as it was
        assert sigma(reading, bare) == pytest.approx(sigma(reading, compared(reading, 10.0)), 1e-2)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("ohms", [3e5, 1e6, 6e6])
def test_an_open_plug_may_read_anything_large(name: str, ohms: float) -> None:
    """1 Gohm in the simulator; 26 to 500 pF of a unit and its cable at 1 kHz."""
    reading = Reading(name, frequency=1e3)
    simulated = compared(reading, 1e9)
    assert abs(simulated - compared(reading, ohms)) < sigma(reading, simulated)
    # while an input of 47 kohm that reads so much is another one
    good = compared(reading, 47e3)
    assert abs(good - compared(reading, ohms)) > 20.0 * sigma(reading, good)


@pytest.mark.parametrize("slope", [20.0, 0.0, -20.0])
def test_what_leaks_through_a_dead_stage_may_have_any_slope(slope: float) -> None:
    """A capacitance leaks 20 dB a decade upwards, a resistance flat, or into one downwards."""
    readings = [Reading("gain", frequency=1e3),
                *(Reading("response", frequency=f, reference=1e3) for f in (50.0, 200.0, 2e4))]
    off = np.array([0.0, *(slope * math.log10(r.frequency / 1e3) for r in readings[1:])])
    for gone, most in ((50.0, 6.0), (0.0, math.inf)):  # a dead stage, and one with a bent curve
        shift = np.array([-gone, 0.0, 0.0, 0.0])
        around = model_covariance(readings, np.zeros(4), shift=shift)
        square = float(off @ np.linalg.solve(around, off))
        assert square <= most
        if not gone and slope:
            assert square > 1e3

"""Wires beside an impedance, which the model lacks: no two open plugs read the same number.

R beside C is R / √(1 + (ωRC)²), by any textbook; how much capacitance leads and wiring have is
judgement (``model_error.yaml``).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.reading import Reading, compared
from diagnose.inference.model_error import own_sigma

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

"""Units that want shares of resistors of their own are solved together, and each gets its own.

Sources: Nyquist's √(4kTR) through a divider (closed form); ngspice.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from circuits.batch import answers
from circuits.batch.answers import Count, answered
from circuits.bench.analysis import Metered, NoiseDensity, NoiseSpectrum, Shown, Voltmeter
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element
from tests.small import BOLTZMANN, KELVIN

TOP, BOTTOM = 10e3, 22e3
LEAKS = {"R3": 47e3, "R4": 82e3}


@pytest.fixture(autouse=True)
def _anew() -> None:
    answers.forget()


def divider(*leaks: str) -> Circuit:
    """With resistors across its lower half that only some units have."""
    return Circuit((
        Element("V1", ("in", "0"), 1.0), Element("R1", ("in", "out"), TOP),
        Element("R2", ("out", "0"), BOTTOM), *(Element(k, ("out", "0"), LEAKS[k]) for k in leaks),
    ))


def meant(ohms: float, *beside: str) -> float:
    """What arrives at the output of the noise of a resistor there."""
    siemens = 1.0 / TOP + 1.0 / BOTTOM + sum(1.0 / LEAKS[k] for k in beside)
    return math.sqrt(4.0 * BOLTZMANN * KELVIN / ohms) / siemens


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many units were solved at a time."""
    counts: list[int] = []
    together = answers._together

    def counted(common: Any, asks: Any, shapes: Any) -> Any:
        counts.append(len(asks))
        return together(common, asks, shapes)

    monkeypatch.setattr(answers, "_together", counted)
    return counts


def test_each_gets_the_shares_that_it_wants(solved: list[int]) -> None:
    units = [(("R1",), ()), (("R3", "R1"), ("R3",)), (("R2", "R4"), ("R4",)), (("R1",), ("R3",))]
    asks = [(divider(*leaks), (NoiseSpectrum("out", "V1", (1e3,), wanted),))
            for wanted, leaks in units]
    values = {"R1": TOP, "R2": BOTTOM, **LEAKS}
    for (wanted, leaks), ask, found in zip(units, asks, answered(asks, Count()), strict=True):
        assert found is not None
        (answer,) = found
        assert isinstance(answer, NoiseDensity)
        expected = [[meant(values[name], *leaks) for name in wanted]]
        np.testing.assert_allclose(answer.shares, expected, rtol=1e-4)
        (judge,) = Engine().run(*ask)
        assert isinstance(judge, NoiseDensity)
        np.testing.assert_allclose(answer.shares, judge.shares, rtol=1e-4)
        np.testing.assert_allclose(answer.density, judge.density, rtol=1e-4)
    assert solved == [4]


def test_how_a_good_unit_loads_the_meters_parts_no_units(solved: list[int]) -> None:
    meters = (Voltmeter("R2", "METER", "out", "0", 1e6),)
    asks = [(divider(), (Metered(meters, np.full((1, 1), ohms)),)) for ohms in (1e3, 7e3)]
    for found in answered(asks, Count()):
        assert found is not None
        assert isinstance(found[0], Shown)
    assert solved == [2]

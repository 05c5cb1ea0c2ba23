"""Dividers against Ohm's law, and values against IEC 60063."""

from __future__ import annotations

import math

import pytest

from diagnose.soundcard.divider import before_input, behind_output, e24, rating


def test_values_are_of_the_series() -> None:
    # IEC 60063, E24; neighbours and a whole decade
    assert [e24(x) for x in (1.0, 4.6e3, 9.6, 0.0475, 1.04e6)] == [1.0, 4.7e3, 10.0, 0.047, 1.0e6]
    assert [e24(x, up=True) for x in (1.0, 4.6e3, 9.2, 4.71e3)] == [1.0, 4.7e3, 10.0, 5.1e3]


@pytest.mark.parametrize("ohms", [10e3, 1e6])
@pytest.mark.parametrize("watts", [1.0, 20.0, 100.0])
def test_the_rated_output_fills_half_of_the_input_at_most(ohms: float, watts: float) -> None:
    volts = math.sqrt(watts * 8.0)
    made = before_input(volts, 1.0, ohms)
    assert made is not None
    across = 1.0 / (1.0 / made.lower + 1.0 / ohms)
    current = volts / (made.upper + across)
    # Ohm's law for the volts at the card, and Joule's for the watts
    assert current * across == pytest.approx(volts / made.ratio)
    assert 0.4 < current * across <= 0.5012
    assert made.watts == pytest.approx(current**2 * made.upper)
    assert made.rating >= 2.0 * made.watts
    # so light that no load of 8 ohm knows of it: a five-hundredth of its current
    assert volts / made.ohms < 2e-3 * volts / 8.0


def test_what_the_input_takes_by_itself_needs_none() -> None:
    assert before_input(0.3, 1.0, 10e3) is None
    assert behind_output(0.5, 2.0, 100.0, 1e3) is None


def test_a_divider_behind_the_output_is_the_source_that_the_stage_expects() -> None:
    made = behind_output(5e-3, 2.0, 100.0, 1e3)
    assert made is not None
    # Thévenin: the e.m.f. without load, and the resistors side by side
    open_ratio = (100.0 + made.upper + made.lower) / made.lower
    assert made.ratio == pytest.approx(open_ratio)
    side_by_side = 1.0 / (1.0 / made.lower + 1.0 / (made.upper + 100.0))
    assert made.ohms == pytest.approx(side_by_side)
    assert made.ohms == pytest.approx(1e3, rel=0.05)
    # 5 mV lie between a full output and the noise of one
    assert 0.1 < 5e-3 * made.ratio / 2.0 < 0.5


def test_what_gets_warm_is_bought_twice_as_large() -> None:
    assert rating(0.05) == 0.25
    assert rating(0.3) == 1.0
    assert rating(400.0) == 800.0

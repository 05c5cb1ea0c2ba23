"""What hum lines say by themselves: odd lines pick-up or earth, even lines a full-wave supply.

The rule is common practice: the mains itself and its odd multiples come in by stray fields and
earth loops; a full-wave rectifier charges its reservoir twice a period.
"""

from __future__ import annotations

import math

import pytest

from circuits.reading import Reading
from diagnose.answer.hum import HIGH_DB, pattern
from diagnose.sheet.entry import Measured

GOOD = 1e-4
"""V at every line of a healthy unit: -80 dBV."""


def told(lines: dict[float, float], mains: float = 50.0, bounds: tuple[float, ...] = ()) -> str:
    """The sentence for lines (Hz) that lie so many dB above a healthy unit's."""
    measured = [
        Measured(Reading("hum", frequency=f), GOOD * 10.0 ** (up / 20.0),
                 bound="<" if f in bounds else "")
        for f, up in lines.items()
    ]
    return pattern(measured, [20.0 * math.log10(GOOD)] * len(measured), mains)


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_odd_lines_are_pick_up_or_an_earth_fault(mains: float) -> None:
    said = told({mains: 20.0, 2 * mains: 0.0, 3 * mains: 15.0, 4 * mains: 1.0}, mains)
    assert "pick-up or an earth fault" in said
    assert f"{mains:g} Hz and {3 * mains:g} Hz" in said
    assert "ripple" not in said


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_even_lines_are_ripple_of_a_full_wave_supply(mains: float) -> None:
    said = told({mains: 0.0, 2 * mains: 25.0, 3 * mains: 0.0, 4 * mains: 12.0}, mains)
    assert "ripple of a full-wave supply" in said
    assert f"{2 * mains:g} Hz and {4 * mains:g} Hz" in said
    assert "earth" not in said


def test_both_are_half_wave_ripple_or_two_faults() -> None:
    """A rectifier with one diode open charges once a period: the mains and all its multiples."""
    said = told({50.0: 20.0, 100.0: 18.0})
    assert "half-wave" in said
    assert "both a supply and a pick-up fault" in said


def beside_rails(ripple_up: float, volts: float) -> str:
    """The sentence for 100 Hz far up, with a rail of 30 V whose ripple is so many dB up."""
    measured = [
        Measured(Reading("hum", frequency=50.0), GOOD),
        Measured(Reading("hum", frequency=100.0), GOOD * 1e3),
        Measured(Reading("ripple", at="vcc", frequency=100.0), 0.06 * 10.0 ** (ripple_up / 20.0)),
        Measured(Reading("dc voltage", at="vcc"), volts),
    ]
    good = [20.0 * math.log10(x) for x in (GOOD, GOOD, 0.06)]
    return pattern(measured, [*good, 30.0], 50.0, ["vcc"])


def test_right_rails_clear_the_rectifier() -> None:
    """Where ripple and voltage of a rail are right, twice the mains comes by an earth.

    Common practice: a clean supply beside a dirty ground.
    """
    said = beside_rails(1.0, 30.5)
    assert "earth joint" in said
    assert "not the rectifier" in said


@pytest.mark.parametrize(("up", "volts"), [(20.0, 30.0), (0.0, 22.0)])
def test_rails_that_are_off_do_not(up: float, volts: float) -> None:
    assert "ripple of a full-wave supply" in beside_rails(up, volts)


def test_good_lines_say_nothing() -> None:
    assert told({50.0: 3.0, 100.0: -3.0, 150.0: 0.0}) == ""
    assert told({50.0: -20.0, 100.0: -20.0}) == ""


def test_a_line_must_be_clearly_high() -> None:
    assert told({50.0: HIGH_DB - 0.1, 100.0: 0.0}) == ""
    assert told({50.0: HIGH_DB + 0.1, 100.0: 0.0}) != ""


@pytest.mark.parametrize("only", [50.0, 100.0])
def test_one_parity_alone_proves_nothing(only: float) -> None:
    """Without the other lines there is no pattern to speak of."""
    assert told({only: 30.0}) == ""


def test_a_bound_is_no_line_that_was_read() -> None:
    assert told({50.0: 30.0, 100.0: 0.0}, bounds=(100.0,)) == ""


def test_a_meter_that_is_a_little_off_still_finds_the_multiple() -> None:
    assert "pick-up" in told({50.3: 20.0, 100.6: 0.0})


def test_other_quantities_are_passed_over() -> None:
    gain = Measured(Reading("gain", frequency=50.0), 40.0)
    assert pattern([gain], [0.0], 50.0) == ""

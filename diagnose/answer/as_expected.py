"""Expected figures beside what was measured."""

from __future__ import annotations

import math

from circuits.probe import text as probe_text
from circuits.probe import usual as usual_probe
from circuits.quantity import render
from circuits.reading import VOLTMETER, Reading, compared, shown
from diagnose.answer.judgement import ExpectedLine
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured, usual
from diagnose.sheet.expected import COVERAGE, Expected


def expected_lines(case: Case) -> tuple[ExpectedLine, ...]:
    """One line for every expected figure and every reading that it is about.

    A figure without a reading has a line of its own, in which nothing was measured.
    """
    made: list[ExpectedLine] = []
    for one in case.expected:
        lines = [
            _line(one, measured, channel)
            for channel, readings in case.channels or (("", case.readings),)
            for measured in readings
            if one.about(measured.reading)
        ]
        made += lines or [_line(one, None, "")]
    return tuple(made)


def _line(one: Expected, measured: Measured | None, channel: str) -> ExpectedLine:
    reading, result, within = one.reading, "", one.within
    if measured is not None:
        reading = measured.reading
        apart = compared(reading, measured.value) - compared(reading, one.figure.value)
        result = _result(one, measured, apart)
        if _meter(reading) != _meter(one.reading):
            # what the one draws and the other does not is for the ranking to know
            result = "uncertain" if result == "off" else result
            within += f", meter {render(_meter(one.reading), 'ohm')}"
        elif reading.probe != one.reading.probe:
            result = "uncertain" if result == "off" else result
            within += f", probe {_probe(one.reading)}"
    return ExpectedLine(
        reading=reading.label(),
        expected=shown(reading, one.figure.value),
        within=within,
        unit=reading.unit,
        measured=None if measured is None else shown(reading, measured.value),
        bound="" if measured is None else measured.bound,
        result=result,
        channel=channel,
    )


def _meter(reading: Reading) -> float:
    return reading.meter or VOLTMETER


def _probe(reading: Reading) -> str:
    return probe_text(reading.probe or usual_probe(reading.quantity))


def _result(one: Expected, measured: Measured, apart: float) -> str:
    """What a value comes to; of a bound, where the true value can only lie farther on."""
    away = {"<": -apart, ">": apart}.get(measured.bound, abs(apart))
    if measured.bound:
        return "off" if away > one.tolerance else "uncertain"
    own = measured.uncertainty if measured.uncertainty is not None else usual(measured)
    if away <= one.tolerance or math.isclose(away, one.tolerance):
        return "as expected"
    return "off" if away > one.tolerance + COVERAGE * own else "uncertain"

"""An amplifier that hums at twice the mains though its rails are right: an earth, not the supply.

Figures are invented: 118 mV of 100 Hz at the output of a line stage that has microvolts when it is
good, ripple and voltages as healthy. Common practice calls that a poor earth joint or wiring, which
the rectifier's charging current shares.
"""

from __future__ import annotations

import math

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from faultlib.catalogue import kind_of
from faultlib.simulate import Laboratory
from faultlib.store import Memory

pytestmark = pytest.mark.slow

STAGE = load_stage("line-two-transistor")


@pytest.fixture(scope="module")
def answer() -> Result:
    readings = {
        Reading("dc voltage", at="vcc"): 24.1,
        Reading("dc voltage", at="c2"): 10.9,
        Reading("ripple", at="vcc", frequency=100.0): 4.1e-3,
        Reading("gain", frequency=1e3): 14.0,
        Reading("hum", frequency=50.0): 11e-6,
        Reading("hum", frequency=100.0): 0.118,
    }
    case = Case("hums", STAGE, tuple(Measured(r, value) for r, value in readings.items()))
    with Laboratory(Memory(), workers=2) as bench:
        return rank(case, bench)


def test_an_earth_return_leads(answer: Result) -> None:
    first = answer.suspects[0]
    assert kind_of(STAGE, first.part) == "earth"
    earths = [s.probability for s in answer.suspects
              if kind_of(STAGE, s.part) == "earth" and s.group == first.group]
    assert math.fsum(earths) > 0.8


def test_health_is_out(answer: Result) -> None:
    assert answer.healthy < 0.01


def test_the_note_does_not_blame_the_rectifier(answer: Result) -> None:
    (told,) = [note for note in answer.notes if note.startswith("hum is high")]
    assert "earth" in told
    assert "not the rectifier" in told

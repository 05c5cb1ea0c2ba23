"""A stage of the right kind only: a unit of another design, and one that hums.

Gain and corner of the follower with gain are closed forms of textbooks: 1 + R1/R2 and 1/(2π·R·C).
The phono case is invented (figures of ours); that lines at odd multiples of the mains with none at
twice it are picked up or come by the input's earth, and not from the supply, is common practice.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

import diagnose
from circuits.errors import InputError
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from tests.small import capacitor, opamp, resistor

PHONO = """
case: invented, a phono input that hums
stage: phono-two-transistor
{word}
readings:
  - {{quantity: gain, frequency: 1 kHz, value: 32.8 dB}}
  - {{quantity: riaa deviation, frequency: 20 Hz, value: -1.8 dB}}
  - {{quantity: riaa deviation, frequency: 100 Hz, value: -0.4 dB}}
  - {{quantity: riaa deviation, frequency: 5 kHz, value: 0.7 dB}}
  - {{quantity: riaa deviation, frequency: 10 kHz, value: 1.2 dB}}
  - {{quantity: riaa deviation, frequency: 20 kHz, value: 1.4 dB}}
  - {{quantity: hum, frequency: 50 Hz, value: 1.7 mV}}
  - {{quantity: hum, frequency: 150 Hz, value: 1.1 mV}}
  - {{quantity: hum, frequency: 100 Hz, value: < 20 uV}}
"""


ROLES = {
    "C1": "input coupling", "R3": "bias return", "R1": "feedback resistor",
    "R2": "resistor in the feedback leg",
}


def drawn() -> Stage:
    """A gain of 23 behind a coupling capacitor, as the file has it."""
    parts = (
        capacitor("C1", "in", "p", 10e-6),
        resistor("R3", "p", "0", 100e3),
        opamp("U1", ("p", "n", "out")),
        resistor("R1", "out", "n", 22e3),
        resistor("R2", "n", "0", 1e3),
    )
    return Stage("amplifier", tuple(replace(p, role=ROLES.get(p.name, "")) for p in parts))


def ranked(stage: Stage, kind_only: bool) -> Result:
    """A unit that has 15 kohm over 1 kohm, 2.2 µF before 47 kohm."""
    corner = 1.0 / (2.0 * math.pi * 47e3 * 2.2e-6)
    bass = -10.0 * math.log10(1.0 + (corner / 20.0) ** 2)
    measured = (
        Measured(Reading("gain", frequency=1e3), 20.0 * math.log10(1.0 + 15.0)),
        Measured(Reading("response", frequency=20.0, reference=1e3), bass),
        Measured(Reading("dc voltage", at="out"), 0.001),
    )
    with Laboratory(Memory(), workers=0) as bench:
        return rank(Case("invented", stage, measured, kind_only=kind_only), bench)


@pytest.mark.slow
def test_a_good_unit_of_another_design_is_not_faulty() -> None:
    asked, told = ranked(drawn(), False), ranked(drawn(), True)
    assert told.answer.kind == "nothing wrong shows"
    assert told.answer.probability > 0.9
    assert asked.answer.kind != "nothing wrong shows"
    assert any("may be those of another design" in note for note in told.notes)


@pytest.mark.slow
def test_hum_at_odd_lines_of_an_unknown_design_is_earth_or_pick_up(tmp_path: Path) -> None:
    """Its response is spoken of apart, and nothing at twice the mains clears the supply."""
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(PHONO.format(word="schematic: not at hand"), encoding="utf-8")
    result = diagnose.rank(sheet)
    places = dict(result.sections)
    assert places["earth or pick-up at the input"] > 0.8
    assert places["supply and decoupling"] < 0.01
    assert any("as another design may read: gain at 1 kHz" in note for note in result.notes)
    sheet.write_text(PHONO.format(word=""), encoding="utf-8")
    assert any("schematic: not at hand" in note for note in diagnose.rank(sheet).notes)


def test_a_wrong_word_names_the_right_ones(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(PHONO.format(word="schematic: at home"), encoding="utf-8")
    with pytest.raises(InputError, match="at home") as caught:
        diagnose.load_case(sheet)
    assert tuple(caught.value.choices) == ("at hand", "not at hand")

"""Warnings of stages that do not work as drawn; idle currents by common practice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

import diagnose
from circuits.load import load_stage, stage_names, unit_names
from circuits.stage import Part, Rail, Stage
from diagnose.answer.as_drawn import drawn_notes
from faultlib.adjust import aims
from faultlib.simulate import Laboratory
from tests.small import resistor


@pytest.fixture(scope="module")
def here() -> Iterator[Laboratory]:
    with Laboratory(workers=0) as laboratory:
        yield laboratory


def amplifier(base_ohms: float, role: str = "") -> Stage:
    """A common emitter stage on 12 V that wants 68 kohm above the 10 kohm at its base."""
    return Stage(
        "amplifier",
        (
            Part("C1", "electrolytic", ("b", "in"), 1e-5, 0.2, esr=1.0),
            resistor("R1", "vcc", "b", base_ohms),
            resistor("R2", "b", "0", 10e3),
            Part("Q1", "npn", ("out", "b", "e"), role=role,
                 parameters=(("IS", 1e-14), ("BF", 200.0))),
            resistor("R3", "vcc", "out", 4.7e3),
            resistor("R4", "e", "0", 1e3),
        ),
        rails=(Rail("vcc", 12.0),),
    )


def hot() -> Stage:
    """An output stage whose bias trimmer is drawn at its end, wide open."""
    stage = load_stage("output-complementary")
    return stage.with_part(replace(stage.part("RV1"), position=0.0))


@pytest.mark.parametrize("name", [*stage_names(), *unit_names()])
def test_the_stages_that_ship_work(name: str, here: Laboratory) -> None:
    assert drawn_notes(load_stage(name), here) == ()


@pytest.mark.parametrize(
    ("base_ohms", "expected"), [(68e3, ""), (680e3, "Q1 is cut off"), (6.8e3, "Q1 is saturated")]
)
def test_a_bias_resistor_of_another_decade(
    base_ohms: float, expected: str, here: Laboratory
) -> None:
    told = drawn_notes(amplifier(base_ohms), here)
    assert [expected in note for note in told] == ([True] if expected else [])


def test_what_is_meant_to_be_off_is_not_warned_of(here: Laboratory) -> None:
    assert drawn_notes(amplifier(680e3, "muting transistor"), here) == ()


def test_a_trimmer_as_drawn_that_idles_an_output_stage(here: Laboratory) -> None:
    (note,) = drawn_notes(hot(), here)
    assert note.startswith("with RV1 as drawn the healthy unit takes 7")
    assert "mA at rest" in note
    assert drawn_notes(aims(hot(), [0.05]), here) == ()


def test_a_trimmer_that_cannot_be_set(here: Laboratory) -> None:
    (note,) = drawn_notes(aims(hot(), [3.0]), here)
    assert note.startswith("RV1 cannot be set to 3 V")


@pytest.mark.slow
def test_the_answer_says_so_first(here: Laboratory) -> None:
    case = diagnose.case(amplifier(680e3), [
        {"quantity": "dc voltage", "at": "out", "value": "7.8 V"},
        {"quantity": "dc voltage", "at": "e", "value": "0.9 V"},
    ])
    result = diagnose.rank(case, here)
    assert result.notes[0].startswith("the stage as drawn does not work: Q1 is cut off")
    works = replace(case, stage=amplifier(68e3))
    assert not any("as drawn" in note for note in diagnose.rank(works, here).notes)

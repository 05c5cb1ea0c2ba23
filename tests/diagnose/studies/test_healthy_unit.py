"""What is found in the healthy unit of a stage as drawn, and how it is told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.stage import Part, Rail, Stage
from diagnose.show.text_healthy import healthy_text
from diagnose.show.wording import figure_text
from diagnose.studies.healthy_unit import OVER, UNSTABLE, WARM, healthy_json, healthy_unit
from faultlib.simulate import Laboratory
from tests.small import resistor


@pytest.fixture(scope="module")
def here() -> Iterator[Laboratory]:
    with Laboratory(workers=0) as laboratory:
        yield laboratory


def loaded(rating: float = 0.0, volts_rating: float = 0.0) -> Stage:
    """100 ohm across 10 V take 1 W (Ohm's law); a capacitor beside has the 10 V."""
    parts = (
        replace(resistor("R1", "vcc", "0", 100.0), rating=rating),
        replace(resistor("R2", "vcc", "out", 100e3), rating=rating),
        resistor("R3", "out", "0", 100e3),
        Part("C1", "electrolytic", ("vcc", "0"), 1e-4, esr=0.1, rating=volts_rating),
        Part("C2", "film", ("in", "out"), 1e-6),
    )
    return Stage("loaded", parts, rails=(Rail("vcc", 10.0),))


@pytest.mark.parametrize(
    ("rating", "volts_rating", "expected"),
    [
        (0.0, 0.0, {("R1", WARM)}),  # a usual metal film takes a quarter of a watt
        (2.0, 16.0, set()),
        (0.5, 16.0, {("R1", OVER)}),
        (2.0, 6.3, {("C1", OVER)}),
    ],
)
def test_what_a_part_bears(
    rating: float, volts_rating: float, expected: set[tuple[str, str]], here: Laboratory
) -> None:
    made = healthy_unit(loaded(rating, volts_rating), here)
    assert {(f.part, f.state) for f in made.findings} == expected


def test_the_text_tells_what_a_meter_shows(here: Laboratory) -> None:
    text = healthy_text(healthy_unit(loaded(), here))
    assert "R1  warm  1 W; a usual metal film resistor takes 250 mW (common practice)." in text
    assert "out" in text
    lines = {line.split()[0]: line for line in text.splitlines() if line.strip()}
    assert "5 V" in lines["out"]
    assert "100 mA" in lines["R1"]
    assert "50 µA" in lines["R2"]
    assert "C1" not in lines  # no direct current, and nothing to say of it


def test_an_amplifier_that_swings_is_told_first(here: Laboratory) -> None:
    """Common practice: a three-stage amplifier oscillates when its compensation opens."""
    stage = load_stage("output-complementary")
    bare = stage.with_part(replace(stage.part("C5"), value=1e-15))
    made = healthy_unit(bare, here)
    assert made.findings[0].state == UNSTABLE
    assert made.findings[0].text.startswith("swings by itself at")
    assert "unstable" in healthy_text(made)
    assert healthy_json(made)["findings"][0]["part"] == ""


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (0.01234567, "V", "12.3 mV"), (4e-6, "V", "0 V"), (-1.2e-5, "V", "0 V"),
        (12.3456, "V", "12.3 V"), (3e-8, "A", "0 A"), (1.23456e-3, "A", "1.23 mA"),
        (4e-4, "W", "0 W"), (2.3456, "W", "2.35 W"),
    ],
)
def test_no_more_digits_than_a_bench_shows(value: float, unit: str, expected: str) -> None:
    assert figure_text(value, unit) == expected


STAGE = """
stage: made
title: A divider
source: closed form
rails: {vcc: {volts: 20}}
ports: {input: in, output: out}
parts:
  R1: {kind: metal-film, nodes: [vcc, out], value: 10k, rating: 0.5 W}
  R2: {kind: metal-film, nodes: [out, "0"], value: 10k}
  C1: {kind: electrolytic, nodes: [out, in], value: 10u, rating: 25 V}
"""


def test_a_stage_file_states_ratings(tmp_path: Path) -> None:
    path = tmp_path / "made.yaml"
    path.write_text(STAGE, encoding="utf-8")
    stage = load_stage(path)
    assert [p.rating for p in stage.parts] == [0.5, 0.0, 25.0]
    path.write_text(STAGE.replace("25 V", "25 W"), encoding="utf-8")
    with pytest.raises(InputError, match="rating"):
        load_stage(path)

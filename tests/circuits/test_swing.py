"""No line of hum or ripple is larger than the rails of its stage allow (Fourier's coefficients)."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.swing import SQUARE, bound
from circuits.bench.take import take
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Lines, Stage

UNIT = load_stage("receiver-chain")
SMALL = load_stage(Path(__file__).parents[1] / "data" / "unit" / "divider.yaml")
HUM = Reading("hum", frequency=50.0)


def louder(stage: Stage, name: str, times: float) -> Stage:
    def change(lines: Lines) -> Lines:
        return tuple((frequency, times * level) for frequency, level in lines)
    return stage.with_pickup(name, change)


def test_a_bounded_wave_has_no_line_above_that_of_the_square_wave() -> None:
    turn = np.linspace(0.0, 2 * np.pi, 4096, endpoint=False)

    def line(wave: np.ndarray) -> float:  # type: ignore[type-arg]
        return abs(np.mean(wave * np.exp(-1j * turn))) * math.sqrt(2.0)

    assert line(np.sign(np.sin(turn + 1e-9))) == pytest.approx(SQUARE, rel=1e-3)
    draws = np.random.default_rng(5).uniform(-1.0, 1.0, (50, turn.size))
    waves = [*draws, np.sin(turn), np.clip(5 * np.sin(turn), -1.0, 1.0)]
    assert max(map(line, waves)) <= SQUARE * (1 + 1e-9)


def test_a_stage_on_rails_gives_no_more_than_they_allow() -> None:
    for name in ("phono-two-transistor", "output-complementary"):
        stage = load_stage(name)
        volts = [rail.volts for rail in stage.rails]
        most = (max(*volts, 0.0) - min(*volts, 0.0)) / 2 * SQUARE
        (hum,) = take(louder(stage, "pickup", 1e9), [HUM])
        assert hum == pytest.approx(most)
        assert take(stage, [HUM])[0] < 1e-2 * most


def test_ripple_of_a_rail_stays_between_it_and_ground() -> None:
    stage = load_stage("output-complementary")
    rail = stage.rail("vcc")
    wild = stage.with_rail(replace(rail, ripple=((100.0, 5000.0),)))
    assert take(wild, [Reading("ripple", at="vcc", frequency=100.0)])[0] == pytest.approx(
        rail.volts / 2 * SQUARE)


def test_what_has_no_rails_is_not_bounded() -> None:
    quiet, loud = (take(louder(SMALL, "pickup", times), [HUM])[0] for times in (1.0, 1e6))
    assert loud == pytest.approx(1e6 * quiet, rel=1e-6)
    assert bound(SMALL, [""]).lines(SMALL) == [math.inf]


def test_a_point_of_a_unit_is_bounded_by_the_supply_of_its_stage() -> None:
    found = bound(UNIT, ["phono.out", "", "plus"])
    assert found.rails == (("small",), ("plus", "minus"), ("plus",))
    assert found.lines(UNIT) == pytest.approx([24 / 2 * SQUARE, 62 / 2 * SQUARE, 31 / 2 * SQUARE])
    low = UNIT.with_rail(replace(UNIT.rail("plus"), volts=10.0))
    assert found.lines(low)[1] == pytest.approx(41 / 2 * SQUARE)


def test_an_anode_with_a_transformer_goes_to_twice_its_rail() -> None:
    stage = load_stage("valve-single-ended")
    (rail,) = stage.rails
    assert bound(stage, [""]).lines(stage) == pytest.approx([rail.volts * SQUARE])


def test_the_parts_of_a_line_that_clips_stay_as_they_were_to_each_other() -> None:
    stage = load_stage("phono-two-transistor")
    readings = [HUM, replace(HUM, way=1), replace(HUM, way=2)]
    loud = stage.with_rail(replace(stage.rail("vcc"), ripple=((50.0, 1.0),)))
    plain = take(louder(loud, "pickup", 1e3), readings)
    # a million times each of the ways that there are: pick-up and the ripple of the rail
    wild = louder(loud, "pickup", 1e9)
    wild = wild.with_rail(replace(wild.rail("vcc"), ripple=((50.0, 1e6),)))
    found = take(wild, readings)
    assert found[0] == pytest.approx(24 / 2 * SQUARE)
    assert found[1] / found[0] == pytest.approx(plain[1] / plain[0], rel=1e-3)
    assert found[2] / found[1] == pytest.approx(plain[2] / plain[1], rel=1e-3)

"""No fault is named with more ripple than a rectifier gives that has lost its reservoir."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.load import load_stage, stage_names, unit_names
from circuits.rail import Rail
from faultlib.catalogue import hypotheses, mode_for, size_value
from faultlib.worst_ripple import met_on, worst_ripple

STAGES = (*stage_names(), *unit_names())


@pytest.mark.parametrize(
    ("lowest", "factor", "mean"),
    [
        # ripple factors of rectifiers without a reservoir, RMS ripple over the mean, and the mean
        # over the peak: 1.21 and 1/pi of one half-wave, 0.482 and 2/pi of two (handbooks of
        # electronics, from memory)
        (50.0, 1.21, 1 / math.pi),
        (100.0, 0.482, 2 / math.pi),
    ],
)
def test_the_worst_is_the_rectifier_alone(lowest: float, factor: float, mean: float) -> None:
    rail = Rail("vcc", -40.0, ripple=((2 * lowest, 0.01), (lowest, 0.1)))
    assert worst_ripple(rail, 50.0) == pytest.approx(40.0 * factor * mean, rel=0.005)


def test_it_is_the_ripple_of_the_wave_itself() -> None:
    turn = np.linspace(0.0, 2 * np.pi, 100_000, endpoint=False)
    for wave, lowest in ((np.abs(np.sin(turn)), 120.0), (np.maximum(np.sin(turn), 0.0), 60.0)):
        rail = Rail("vcc", 1.0, ripple=((lowest, 0.001),))
        assert worst_ripple(rail, 60.0) == pytest.approx(float(np.std(wave)), rel=1e-4)


@pytest.mark.parametrize("name", STAGES)
def test_no_rail_is_said_to_have_more_ripple_than_it_can(name: str) -> None:
    stage = load_stage(name)
    for hypothesis in hypotheses(stage):
        if hypothesis.kind != "rail" or hypothesis.mode.range is None:
            continue
        worst = size_value(stage, hypothesis.fault(hypothesis.mode.range.worst))
        assert worst is not None
        share = 0.386 if worst.quantity == "ripple" else 1.0
        assert abs(worst.value) <= share * abs(stage.rail(hypothesis.part).volts), worst


def test_both_ways_to_a_mode_agree() -> None:
    unit = load_stage("receiver-chain")
    (found,) = [h for h in hypotheses(unit) if h.label() == "plus ripple high"]
    assert found.mode == mode_for(unit, "plus", "ripple high")
    assert found.mode.range is not None
    assert found.mode.range.mild == 3.0


def test_a_rail_that_has_much_ripple_when_good_may_have_more() -> None:
    stage = load_stage("output-complementary")
    (rail, *_) = (r for r in stage.rails if r.ripple)
    mode = met_on(replace(rail, ripple=((100.0, 0.2 * rail.volts),)), 50.0,
                  mode_for(stage, rail.name, "ripple high"))
    assert mode.range is not None
    assert mode.range.worst > mode.range.mild


def test_a_quiet_rail_keeps_the_range_of_the_mode_file() -> None:
    stage = load_stage("phono-two-transistor")
    rail = Rail("vcc", 24.0, ripple=((100.0, 1e-3),))
    mode = mode_for(stage.with_rail(rail), "vcc", "ripple high")
    assert mode.range is not None
    assert mode.range.worst == 300.0

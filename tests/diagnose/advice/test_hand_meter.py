"""What is proposed can be taken by a person: in a meter's range, in round figures, without harm.

Sources: hand meters show OL above 20 Mohm (common practice); a mixture of two narrow outcomes that
a meter parts tells the entropy of their weights, and one that it does not part tells nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.cautions import reading_text
from circuits.hazards import hazards
from circuits.kinds import kind
from circuits.load import load_stage, stage_names
from circuits.reading import Reading, compared
from circuits.state import OPEN, State
from diagnose.advice.candidates import candidates, effort, effort_text
from diagnose.advice.information import Mixture, outlook, stretches
from diagnose.advice.next_reading import Meaning, NextReading, next_json
from diagnose.advice.open_tests import open_tests, standing, taken_how
from diagnose.advice.ranked_readings import short
from diagnose.show.text_next import meaning_text, next_text
from tests.diagnose.fake_bench import FakeBench

OHMS = Reading("resistance", between=("a", "0"))
CAP = compared(OHMS, 20e6)


def mixture(*centres: float, most: float = CAP) -> Mixture:
    """Equally probable answers, each a narrow resistance in ohm."""
    count = len(centres)
    return Mixture(np.full(count, 1.0 / count), np.log(np.array(centres)), np.full(count, 0.02),
                   np.arange(count), 5.0, most)


def test_what_a_meter_does_not_show_is_one_outcome() -> None:
    """700 Mohm and 50 Mohm are both OL: nothing is told; 1 Mohm and OL: one bit."""
    assert outlook(mixture(700e6, 50e6), 2).bits == pytest.approx(0.0, abs=1e-9)
    assert outlook(mixture(700e6, 50e6, most=math.inf), 2).bits > 0.9
    parted = outlook(mixture(700e6, 1e6), 2)
    assert parted.bits == pytest.approx(1.0, abs=0.01)
    assert float(parted.weights.sum()) == pytest.approx(1.0)
    low, high = stretches(parted)
    assert (low.high, high.low) == (CAP, CAP)
    assert (low.answers, high.answers) == ((1,), (0,))


def test_three_outcomes_with_two_above_the_range() -> None:
    """Entropy of a third and two thirds (Shannon)."""
    expected = -(math.log2(1 / 3) / 3 + 2 * math.log2(2 / 3) / 3)
    assert outlook(mixture(700e6, 50e6, 1e3), 3).bits == pytest.approx(expected, abs=0.01)


def test_ol_is_said_as_a_meter_says_it() -> None:
    means = (Meaning(None, 20e6, "ohm", ("C1",), 0.9), Meaning(20e6, None, "ohm", ("Q1",), 0.9))
    item = NextReading("resistance between a and 0", 1.0, "", "", (), "", means)
    assert meaning_text(item) == "OL: Q1; below 20 MΩ: C1"
    lower = replace(item, means=(replace(means[0], high=8e6), replace(means[1], low=8e6)))
    assert meaning_text(lower) == "above 8 MΩ, or OL: Q1; below 8 MΩ: C1"
    assert "good unit reads OL" in next_text("case", "stage", [item])
    assert next_json(item)["healthy"] is None
    assert "good unit reads 4.7 kΩ" in next_text("case", "stage", [replace(item, healthy=4700.0)])


@pytest.mark.parametrize("name", stage_names())
def test_no_ohmmeter_charges_a_large_capacitor(name: str) -> None:
    """100 µF and more, whichever way round its nodes stand."""
    stage = load_stage(name)
    suspected = [part.name for part in stage.parts]
    made = candidates(stage, [], FakeBench(lambda unit, reading: 0.0), suspected=suspected)
    large = {frozenset(p.nodes) for p in stage.parts
             if kind(p.kind).family == "capacitor" and (p.value or 0.0) >= 100e-6}
    assert not [r for r in made if r.between and frozenset(r.between) in large]


def test_what_is_suspected_has_an_ohmmeter_put_across() -> None:
    stage = load_stage("phono-two-transistor")
    bench = FakeBench(lambda unit, reading: 0.0)
    between = stage.part("R7").nodes
    plain, suspecting = (
        {frozenset(r.between) for r in candidates(stage, [], bench, suspected=parts) if r.between}
        for parts in ((), ("R7",))
    )
    assert frozenset(between) not in plain
    assert frozenset(between) in suspecting


def test_the_signal_is_traced_at_inner_points() -> None:
    stage = load_stage("phono-two-transistor")
    made = candidates(stage, [], FakeBench(lambda unit, reading: 0.0))
    at = {r.at for r in made if r.quantity == "gain"}
    assert {"b1", "c1", "c2"} <= at
    assert not {"vcc", stage.input} & at


def test_one_end_of_a_leaky_capacitor_is_lifted_and_of_no_other() -> None:
    stage = load_stage("phono-two-transistor")
    shares = {("C6", "leakage"): 0.4, ("C4", "capacitance loss"): 0.5, ("C9", "leakage"): 0.01}
    made = open_tests(stage, [], shares, 0.05)
    assert made
    assert {r.state for r in made} == {State(lifted=(("C6", "positive"),))}
    (first, *_) = made
    assert taken_how(first).startswith("unsolder one end of C6 (positive); d.c. voltmeter")
    assert "unplugged" in reading_text(hazards(stage), first)
    plain = Reading("dc voltage", at=first.at)
    assert effort(first) > effort(plain)
    assert effort_text(first) == "7 min, live"


def test_no_end_is_lifted_behind_a_loudspeaker() -> None:
    stage = load_stage("output-complementary")
    assert open_tests(stage, [], {("C4", "leakage"): 0.9}, 0.05) == ()


def test_the_load_comes_off_where_direct_voltage_stands_on_it() -> None:
    stage = load_stage("output-complementary")
    volts = Reading("dc voltage", at="o")
    (made,) = open_tests(stage, [(volts, 21.0, 0.0)], {}, 0.05)
    assert made == Reading("dc voltage", at="o", state=State(load=OPEN))
    assert taken_how(made).startswith("take the load off")
    assert standing(stage, [(volts, 21.0, 0.0)])
    for quiet in ((volts, 0.02, 0.0), (Reading("dc voltage", at="td"), 12.0, 26.0)):
        assert open_tests(stage, [quiet], {}, 0.05) == ()
        assert not standing(stage, [quiet])


def test_a_test_in_another_state_has_a_place_of_its_own_in_the_short_list() -> None:
    volts = (("quantity", "dc voltage"), ("at", "o"))
    many = [NextReading(f"r{k}", 1.0, "", "", volts) for k in range(3)]
    lifted = NextReading("lifted", 0.5, "", "", (*volts, ("state", "lifted C6.positive")))
    assert [item.reading for item in short([*many, lifted])] == ["r0", "r1", "lifted"]

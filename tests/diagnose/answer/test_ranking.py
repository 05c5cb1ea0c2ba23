"""What a bench sheet says of parts, and the whole chain on a bench of closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.errors import InputError, NoSolution
from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.inference.infer import FOUND_BAD, observe
from diagnose.inference.posterior import KNOWN_BAD, PRIOR_HEALTHY, PRIOR_UNMODELLED
from diagnose.sheet.case import Case, Check
from diagnose.sheet.entry import Measured, usual
from faultlib.catalogue import hypotheses, miss, mode_for
from tests.diagnose.fake_bench import FARADS, FakeBench, LinearUnit, gains

CORNER = 20.0
GAIN = (Reading("gain", frequency=20.0), Reading("gain", frequency=1e3))


def stage() -> Stage:
    parts = (
        Part("C1", "electrolytic", ("in", "out"), FARADS, 0.2, role="coupling"),
        Part("C2", "electrolytic", ("out", "0"), FARADS, 0.2),
        Part("R1", "carbon-film", ("out", "0"), 10e3, 0.05),
    )
    return Stage("deaf", parts)


def deaf(stage: Stage, reading: Reading) -> float:
    """A reading that nothing moves, so that only what was known before counts."""
    return 0.0


def ranked(*checks: Check) -> Result:
    readings = tuple(Measured(r, 0.0) for r in GAIN)
    return rank(Case("idle", stage(), readings, checks=checks), FakeBench(deaf))


def chances(result: Result) -> dict[str, float]:
    return {s.name: s.probability for s in result.suspects}


def odds(checks: tuple[Check, ...], suspect: str, against: str = "R1 drift up") -> float:
    """By how much checks change the odds of one suspect to one that they do not touch."""
    before, after = chances(ranked()), chances(ranked(*checks))
    return (after[suspect] / after[against]) / (before[suspect] / before[against])


def still_known(result: Result) -> float:
    """What is left for health and known faults, over their prior.

    Readings as a good unit gives them speak against a fault outside the library, which moves
    something; the rest share what it loses.
    """
    return (1.0 - result.unmodelled) / (1.0 - PRIOR_UNMODELLED)


def test_without_information_the_answer_is_the_prior() -> None:
    result = ranked()
    everything = hypotheses(stage())
    weight = sum(h.prior for h in everything)
    modelled = 1.0 - PRIOR_HEALTHY - PRIOR_UNMODELLED
    known = still_known(result)
    expected = {h.label(): known * modelled * h.prior / weight for h in everything}
    assert chances(result) == pytest.approx({k: p for k, p in expected.items() if p >= 0.001})
    assert result.healthy == pytest.approx(known * PRIOR_HEALTHY)
    total = sum(chances(result).values()) + result.healthy + result.unmodelled + result.rest
    assert total == pytest.approx(1.0)
    assert sum(g.probability for g in result.groups) == pytest.approx(sum(chances(result).values()))


@pytest.mark.slow
@pytest.mark.parametrize("how", ["capacitance", "Capacitance meter", "on the bridge"])
def test_a_capacitance_meter_sees_lost_capacitance_and_no_leakage(how: str) -> None:
    """Common practice: leakage shows at working voltage, which the meter does not apply."""
    check = (Check("C1", "good", how),)
    assert odds(check, "C1 capacitance loss") < 0.1
    assert odds(check, "C1 leakage") == pytest.approx(1.0)
    assert odds(check, "C2 capacitance loss") == pytest.approx(1.0)
    chance = miss(mode_for(stage(), "C1", "capacitance loss"), "good", how)
    assert odds(check, "C1 capacitance loss") == pytest.approx(chance)


def test_a_leakage_test_sees_leakage_and_no_lost_capacitance() -> None:
    check = (Check("C1", "good", "leakage at 25 V"),)
    assert odds(check, "C1 leakage") < 0.2
    assert odds(check, "C1 capacitance loss") == pytest.approx(1.0)


def test_a_series_resistance_meter_sees_just_that() -> None:
    check = (Check("C1", "good", "ESR"),)
    assert odds(check, "C1 high esr") < 0.1
    assert odds(check, "C1 leakage") == pytest.approx(1.0)


def test_two_checks_of_different_kinds_leave_little() -> None:
    checks = (Check("C1", "good", "capacitance and ESR"), Check("C1", "good", "leakage"))
    for mode in ("capacitance loss", "high esr", "leakage"):
        assert odds(checks, f"C2 {mode}") == pytest.approx(1.0)
    after = chances(ranked(*checks))
    for mode in ("capacitance loss", "high esr", "leakage"):
        assert after.get(f"C1 {mode}", 0.0) < 0.2 * after[f"C2 {mode}"]


def test_a_new_part_is_hardly_the_cause_in_any_way() -> None:
    after = chances(ranked(Check("C1", "replaced")))
    before = chances(ranked())
    for name in [n for n in before if n.startswith("C1")]:
        assert after.get(name, 0.0) < 0.1 * after[name.replace("C1", "C2")]
    assert after["C2 leakage"] > before["C2 leakage"]


def test_a_part_found_bad_comes_first() -> None:
    """Every mode of it alike: the check does not say which."""
    check = (Check("R1", "bad", "measures open"),)
    for name in chances(ranked()):
        if name.startswith("R1"):
            assert odds(check, name, "C1 leakage") == pytest.approx(FOUND_BAD)
    before, after = ranked().suspects[0], ranked(*check).suspects[0]
    assert (before.part, after.part) == ("C1", "R1")


def test_a_unit_with_a_part_known_bad_is_hardly_healthy() -> None:
    """The odds of health to a fault fall by the stated factor, whichever fault it is."""
    before, after = ranked(), ranked(Check("R1", "bad", "measures open"))
    first, second = (r.healthy / (1.0 - r.healthy - r.unmodelled) for r in (before, after))
    assert second / first == pytest.approx(KNOWN_BAD)
    # replaced since, it tells no more that the unit is ill
    done = ranked(Check("R1", "bad", "measures open"), Check("R1", "replaced"))
    assert done.healthy == pytest.approx(still_known(done) * PRIOR_HEALTHY)


def test_cleaning_says_nothing_of_a_capacitor() -> None:
    assert odds((Check("C1", "cleaned"),), "C1 leakage") == pytest.approx(1.0)


def test_health_keeps_its_place_when_parts_are_checked() -> None:
    """Checks shift weight among the faults; whether the unit is ill at all is another question."""
    after = ranked(Check("C1", "good", "capacitance"), Check("C2", "replaced"))
    assert after.healthy == pytest.approx(still_known(after) * PRIOR_HEALTHY)


# -- the whole chain -------------------------------------------------------------------------------


def linear() -> LinearUnit:
    return LinearUnit(np.random.default_rng(1).normal(size=(6, 3)) * 3.0, gains(6), 0.02)


def sheet(unit: LinearUnit, values: list[float]) -> Case:
    measured = tuple(Measured(r, x) for r, x in zip(unit.readings, values, strict=True))
    return Case("invented", unit.stage, measured)


def test_the_size_is_told_as_a_meter_would_show_it() -> None:
    """A quarter of it left: the sheet's answer in farads, its interval around it."""
    unit = linear()
    place = math.log(0.25 / 0.7) / math.log(0.005 / 0.7)
    result = rank(sheet(unit, unit.shift(1, place).tolist()), unit.bench())
    top = result.suspects[0]
    assert top.name == "C2 capacitance loss"
    assert top.severity is not None
    assert (top.severity.quantity, top.severity.unit) == ("capacitance", "F")
    assert top.severity.value == pytest.approx(0.25 * FARADS, rel=0.05)
    assert top.severity.low <= top.severity.value <= top.severity.high
    assert top.severity.low == pytest.approx(0.25 * FARADS, rel=0.2)
    assert top.severity.high == pytest.approx(0.25 * FARADS, rel=0.2)


def test_what_a_suspect_explains_is_what_moved() -> None:
    unit = LinearUnit(np.array([[6.0, 0.0], [0.0, 6.0], [6.0, 0.0]]), gains(3))
    result = rank(sheet(unit, [-6.0, 0.0, -6.0]), unit.bench())
    top = result.suspects[0]
    assert top.part == "C1"
    assert {e.reading for e in top.explains} == {r.label() for r in unit.readings[::2]}
    for told in top.explains:
        assert told.measured == pytest.approx(-6.0)
        assert told.healthy == pytest.approx(0.0)
        assert told.predicted == pytest.approx(-6.0, abs=0.2)


def test_probabilities_and_groups_add_up() -> None:
    unit = linear()
    for values in ([0.0] * 6, [-3.0, 1.0, 2.0, 0.5, -4.0, 1.0], unit.shift(0, 0.3).tolist()):
        result = rank(sheet(unit, values), unit.bench())
        listed = sum(s.probability for s in result.suspects)
        total = listed + result.healthy + result.unmodelled + result.rest
        assert total == pytest.approx(1.0, abs=1e-9)
        assert result.rest >= 0.0
        members = [name for g in result.groups for name in g.members]
        assert sorted(members) == sorted(s.name for s in result.suspects)
        assert [g.probability for g in result.groups] == sorted(
            (g.probability for g in result.groups), reverse=True)


def test_readings_that_nothing_explains_are_said_so() -> None:
    unit = linear()
    result = rank(sheet(unit, [50.0, -50.0, 50.0, -50.0, 50.0, -50.0]), unit.bench())
    assert any("explains these readings" in note for note in result.notes)
    assert result.unmodelled > max((s.probability for s in result.suspects), default=0.0)
    good = rank(sheet(unit, [0.0] * 6), unit.bench())
    assert not any("explains these readings" in note for note in good.notes)


def test_what_could_not_be_simulated_is_said_so() -> None:
    unit = linear()

    def rule(made: Stage, reading: Reading) -> float:
        if any(p.name == "C3.positive-negative" for p in made.parts):
            raise NoSolution("no operating point")
        return unit.rule(made, reading)

    result = rank(sheet(unit, [0.0] * 6), FakeBench(rule))
    assert [n for n in result.notes if "C3 short" in n and "no operating point" in n]
    assert "C3 short" not in chances(result)


def test_a_sheet_without_readings_is_refused() -> None:
    with pytest.raises(InputError, match="no reading that can be ranked"):
        rank(Case("empty", stage()), FakeBench(deaf))


def test_a_stage_that_has_no_solution_is_refused() -> None:
    def never(made: Stage, reading: Reading) -> float:
        raise NoSolution("two sources in a loop")

    with pytest.raises(NoSolution, match="healthy stage deaf"):
        rank(Case("x", stage(), (Measured(GAIN[0], 0.0),)), FakeBench(never))


def test_a_stated_uncertainty_replaces_the_usual_one() -> None:
    """Independent parts of an uncertainty add as squares (GUM, JCGM 100, 5.1.2)."""
    volts = Measured(Reading("dc voltage", at="out"), 10.0)
    about = volts.reading.about
    assert usual(volts) == pytest.approx(math.hypot(about.uncertainty, about.relative * 10.0))
    bound = Measured(GAIN[0], 3.0, bound="<")
    observed = observe([volts, replace(volts, uncertainty=0.5), bound], stage())
    assert observed.bench[1] == 0.5
    assert observed.bench[0] == pytest.approx(usual(volts))
    assert observed.bounds == ("", "", "<")


def test_a_reading_that_no_fault_explains_is_named() -> None:
    """All but one reading are a quarter of C2 left; the last one is far off whatever is wrong."""
    unit = linear()
    place = math.log(0.25 / 0.7) / math.log(0.005 / 0.7)
    values = unit.shift(1, place)
    values[3] += 40.0
    (told,) = rank(sheet(unit, values.tolist()), unit.bench()).again
    assert told.reading == unit.readings[3].label()
    assert rank(sheet(unit, unit.shift(1, place).tolist()), unit.bench()).again == ()

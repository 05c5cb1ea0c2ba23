"""Expected figures weighed: a unit built to other values than the stage file, by Ohm's law.

All readings and figures are invented: they are what dividers of stated resistors give (Ohm and
Kirchhoff), worked out here and not by the simulator. The voltmeter is one of 10 Mohm, which moves
none of them by more than 0.1 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from diagnose.answer.outcome import NOTHING
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.inference.channels import NOMINAL, Common, Other, doubted
from diagnose.inference.design import (
    SCALES,
    WithDesign,
    design_spreads,
    designed,
    given_design,
)
from diagnose.inference.infer import weighing
from diagnose.inference.likelihood import Observed
from diagnose.inference.model_error import model_covariance
from diagnose.sheet.case import Case
from diagnose.sheet.given import case_of
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from faultlib.tolerance import LeftOpen, Spread
from tests.diagnose.fake_bench import FakeBench

pytestmark = pytest.mark.slow

DATA = Path(__file__).resolve().parents[2] / "data"
Volts = Mapping[str, float]


def volts(
    vcc: float = 24.0, r1: float = 10e3, r2: float = 10e3, r3: float = 10e3, r4: float = 10e3,
    r5: float = 10e3,
) -> Volts:
    """Two dividers from one rail: R1 over R2, and R3 over R4 over R5."""
    whole = r3 + r4 + r5
    return {"vcc": vcc, "a": vcc * r2 / (r1 + r2), "b": vcc * (r4 + r5) / whole,
            "c": vcc * r5 / whole}


FILE = volts()
"""What ``dividers.yaml`` says."""
OTHER = {"r2": 6.8e3, "r4": 4.7e3, "r5": 8.2e3}
"""Another design of the same kind."""


@pytest.fixture(scope="module")
def bench() -> Iterator[Laboratory]:
    with Laboratory(workers=0) as made:
        yield made


def sheet(read: Volts, expected: Volts | None = None, more: str = "", further: str = "") -> Case:
    """Readings to the millivolt, figures to the tenth of a volt as manuals print them."""
    def lines(of: Volts, digits: int, more: str = "") -> str:
        return "".join(f"  - {{quantity: dc voltage, at: {node}, value: {x:.{digits}f} V{more}}}\n"
                       for node, x in of.items())

    text = f"stage: {DATA / 'dividers.yaml'}\nreadings:\n{lines(read, 3)}"
    return case_of(text + (f"expected:\n{lines(expected, 1, more)}" if expected else "") + further)


def chance(result: Result, part: str) -> float:
    return math.fsum(s.probability for s in result.suspects if s.part == part)


def odds(result: Result, part: str) -> float:
    """Log odds that something is wrong with a part."""
    p = chance(result, part)
    return math.log(p / (1.0 - p))


# -- another design than the stage file's ----------------------------------------------------------


@pytest.mark.parametrize("more", ["", ", within: 5 %"])
@pytest.mark.parametrize("design", [OTHER, {"vcc": 20.0}, {"r3": 18e3, "vcc": 30.0}],
                         ids=["resistors", "rail", "both"])
def test_a_good_unit_of_another_design_is_good(
    design: Mapping[str, float], more: str, bench: Laboratory
) -> None:
    """It reads what its manual says; against the stage file alone it is thought to be ill.

    The designs lie farther from the file than figures of ±10 % might by themselves.
    """
    read = volts(**design)
    alone, beside = rank(sheet(read), bench), rank(sheet(read, read, more), bench)
    assert alone.nothing < 0.5
    assert alone.answer.kind != NOTHING
    assert beside.nothing > 0.9
    assert beside.answer.kind == NOTHING
    assert any("other values than the stage file" in note for note in beside.notes)


def test_figures_that_the_unit_does_not_keep_are_no_excuse(bench: Laboratory) -> None:
    """The manual says what the file says, and the unit does not read it."""
    assert rank(sheet(volts(**OTHER), FILE), bench).nothing < 0.05


@pytest.mark.parametrize(
    ("part", "ill"),
    [("R3", {"r3": 22e3}), ("R5", {"r5": 1e9}), ("R2", {"r2": 15e3}), ("vcc", {"vcc": 16.0})],
)
def test_a_fault_in_another_design_is_found(
    part: str, ill: Mapping[str, float], bench: Laboratory
) -> None:
    """A resistor that has drifted, one that is open, a rail that is low."""
    read = volts(**{**OTHER, **ill})
    alone, beside = rank(sheet(read), bench), rank(sheet(read, volts(**OTHER)), bench)
    assert chance(beside, part) > 0.8
    assert beside.suspects[0].part == part
    assert chance(beside, part) > chance(alone, part)


def test_what_is_explained_is_told_beside_the_design(bench: Laboratory) -> None:
    """Healthy is what the manual says there, not what the file says (16 V and 8 V)."""
    good = volts(**OTHER)
    first = rank(sheet(volts(**OTHER, r3=22e3), good, ", within: 2 %"), bench).suspects[0]
    healthy = {e.reading: e.healthy for e in first.explains}
    assert healthy["dc voltage at b"] == pytest.approx(good["b"], rel=0.03)
    assert healthy["dc voltage at c"] == pytest.approx(good["c"], rel=0.03)


def test_where_only_the_kind_is_known_the_figures_tell_the_design(bench: Laboratory) -> None:
    """How far other designs lie off is then stated elsewhere; the figures narrow it."""
    kind = "schematic: not at hand\n"
    good, ill = volts(**OTHER), volts(**OTHER, r3=22e3)
    case = sheet(good, good, further=kind)
    assert weighing(case, bench).observed.wide == SCALES[0]
    assert rank(case, bench).nothing > 0.9
    alone = rank(sheet(ill, further=kind), bench)
    beside = rank(sheet(ill, good, ", within: 3 %", kind), bench)
    assert chance(beside, "R3") > max(0.8, chance(alone, "R3"))


def test_a_repair_in_another_design_is_judged_by_its_figures(bench: Laboratory) -> None:
    """After R3 was replaced the unit reads what its manual says, and not what the file says."""
    good = volts(**OTHER)
    after = "".join(f"      - {{quantity: dc voltage, at: {node}, value: {x:.3f} V}}\n"
                    for node, x in good.items())
    repair = f"repaired:\n  - part: R3\n    readings:\n{after}"
    case = sheet(volts(**OTHER, r3=22e3), good, further=repair)
    (proof,) = rank(case, bench).repair
    assert proof.outcome == "gone"
    assert proof.gone > 0.8


def test_beside_a_good_channel_the_figures_are_only_shown(bench: Laboratory) -> None:
    lines = "".join(f"      - {{quantity: dc voltage, at: {node}, value: {x:.3f} V}}\n"
                    for node, x in volts(**OTHER).items())
    case = case_of(f"""stage: {DATA / 'dividers.yaml'}
suspect: right
channels:
  left:
    readings:
{lines}  right:
    readings:
{lines}expected: [{{quantity: dc voltage, at: b, value: 16 V}}]
""")
    made = rank(case, bench)
    assert [(x.channel, x.result) for x in made.expected] == [("left", "off"), ("right", "off")]
    assert any("the good channel tells" in note for note in made.notes)
    assert made.nothing > 0.9


# -- figures that say what the stage file says -----------------------------------------------------


@pytest.mark.parametrize(
    ("part", "ill"),
    [("R3", {"r3": 22e3}), ("R5", {"r5": 5e3}), ("R2", {"r2": 15e3}), ("vcc", {"vcc": 20.0}),
     ("R3", {})],
)
def test_what_the_file_says_anyway_changes_little(
    part: str, ill: Mapping[str, float], bench: Laboratory
) -> None:
    """Half a unit of log odds: no more than a tenth moves at even chances (judgement)."""
    read = volts(**ill)
    case = sheet(read, FILE)
    alone, beside = rank(sheet(read), bench), rank(case, bench)
    assert weighing(case, bench).observed.wide == SCALES[0]
    assert abs(odds(beside, part) - odds(alone, part)) < 0.5 or min(
        odds(beside, part), odds(alone, part)) > 4.0
    assert beside.answer.kind == alone.answer.kind


def test_without_doubts_of_its_own_the_unit_varies_as_without_figures() -> None:
    """Independent standard deviations add as squares (JCGM 100, 5.1.2)."""
    stage = load_stage(DATA / "dividers.yaml")
    whole: dict[tuple[str, str], float] = {}
    for one in design_spreads(stage, ("R2",), SCALES[0]):
        whole[one.target, one.what] = math.hypot(whole.get((one.target, one.what), 0.0), one.sigma)
    assert whole == pytest.approx({(s.target, s.what): s.sigma for s in doubted(stage, ("R2",))})


# -- what the meter was ----------------------------------------------------------------------------


def test_the_meter_of_the_manual_counts(bench: Laboratory) -> None:
    """An analogue meter of 20 kohm/V draws on its 2.5 V range what a digital one does not.

    50 kohm beside R2: 10 k ∥ 50 k = 8.33 kohm, 24 V × 8.33 / 18.33 = 10.9 V. Beside R4 and R5:
    20 k ∥ 50 k = 14.29 kohm, 24 V × 14.29 / 24.29 = 14.1 V.
    """
    text = f"""stage: {DATA / 'dividers.yaml'}
readings:
  - {{quantity: dc voltage, at: a, value: 12.00 V}}
  - {{quantity: dc voltage, at: b, value: 16.00 V}}
expected:
  - {{quantity: dc voltage, at: a, value: 10.9 V, within: 1 %, meter: 50 kohm}}
  - {{quantity: dc voltage, at: b, value: 14.1 V, within: 1 %, meter: 50 kohm}}
"""
    case, blind = case_of(text), case_of(text.replace(", meter: 50 kohm", ""))
    assert weighing(case, bench).observed.wide == SCALES[0]
    assert weighing(blind, bench).observed.wide > SCALES[0]
    made = rank(case, bench)
    assert made.nothing > 0.9
    assert [(x.result, x.within) for x in made.expected] == [
        ("uncertain", "1 %, meter 50 kΩ")] * 2
    assert [x.result for x in rank(blind, bench).expected] == ["off", "off"]


# -- the bench, and what the design has in common with the unit ------------------------------------

VCC, FIRST = Rail("vcc", 10.0), Reading("gain", frequency=100.0)
C1 = Spread("C1", "value", 0.1)
LOSS = Fault("C1", "capacitance loss", 0.5)
SMALL = Stage("small", (Part("C1", "electrolytic", ("n", "0"), 1e-6, 0.02),), rails=(VCC,))


def rule(stage: Stage, reading: Reading) -> float:
    """Logarithm of the capacitance, whatever is read."""
    assert type(reading) is Reading
    return math.log((stage.part("C1").value or 1e-6) / 1e-6)


@pytest.mark.parametrize(
    ("variant", "expected"),
    [
        (Variant((), ((C1, 1.0),)), (0.1, 0.0)),
        (Variant((), ((Common("C1", "value", 0.1), 1.0),)), (0.1, 0.1)),
        (Variant((), ((C1, 1.0), (Common("C1", "value", 0.2), -1.0))), (-0.1, -0.2)),
        (Variant((LOSS,)), (math.log(0.5), 0.0)),
        (Variant((LOSS,), ((Common("C1", "value", 0.1), 1.0),)), (math.log(0.5) + 0.1, 0.1)),
    ],
)
def test_a_fault_and_a_tolerance_are_the_units_own(
    variant: Variant, expected: tuple[float, float]
) -> None:
    """Whatever the order in which the readings stand; logarithms add."""
    unit, design = expected
    readings = (designed(FIRST), FIRST, designed(FIRST))
    (row,) = WithDesign(FakeBench(rule)).values(SMALL, [variant], readings).values
    assert row == pytest.approx((design, unit, design), abs=1e-12)


@pytest.mark.parametrize("faults", [(), (LOSS,)])
def test_a_tolerance_is_a_share_of_the_doubt_about_a_value(faults: tuple[Fault, ...]) -> None:
    """The rule is a line, so that a share of a wider step is exact; one step is simulated."""
    inner = FakeBench(rule)
    common = Common("C1", "value", 0.4)
    bench = WithDesign(inner, (common,))
    units = [Variant(faults), Variant(faults, ((C1, 1.0),)), Variant(faults, ((common, 1.0),))]
    rows = bench.values(SMALL, units, [FIRST, designed(FIRST)]).values
    assert rows - rows[0] == pytest.approx(np.array([[0.0, 0.0], [0.1, 0.0], [0.4, 0.4]]))
    assert sum(bool(v.deviations) for v in inner.asked) == 2  # of the unit, and of the design


def test_no_fault_is_simulated_for_the_design() -> None:
    bench = FakeBench(rule)
    ill = [Variant((Fault("C1", "capacitance loss", x),)) for x in (0.5, 0.2, 0.1)]
    WithDesign(bench).values(SMALL, [Variant(), *ill], [designed(FIRST)])
    assert bench.asked == [Variant()]


def test_the_design_has_no_tolerances_and_shares_what_the_file_has_wrong() -> None:
    made = design_spreads(SMALL, (), 4.0)
    assert not any(isinstance(s, Other) for s in made)
    kept = {(type(s), s.target, s.what): s.sigma for s in made if not isinstance(s, LeftOpen)}
    assert kept[Common, "C1", "value"] == kept[Common, "vcc", "volts"] == 4.0 * NOMINAL
    assert kept[Spread, "C1", "value"] == pytest.approx(math.log(1.02) / math.sqrt(3.0))
    # no figure of a manual tells this unit's stray mains, nor its capacitors' age
    assert {what for kind, _, what in kept if kind is Common} == {"value", "volts"}


def test_the_model_errs_alike_for_unit_and_design_by_whatever_meter() -> None:
    """A variance of 0.2² dB, all but a twentieth of it in common."""
    both = (FIRST, designed(FIRST))
    made = model_covariance(both, np.zeros(2))
    assert made == pytest.approx(0.04 * np.array([[1.0, 0.95], [0.95, 1.0]]))
    assert model_covariance(both, np.zeros(2), wide=3.0) == pytest.approx(9.0 * made)
    at = Reading("dc voltage", at="c1", meter=1e7)
    by_another = Reading("dc voltage", at="c1", meter=2e5)
    same = model_covariance((at, designed(by_another)), np.ones(2))
    assert same[0, 1] / same[0, 0] == pytest.approx(0.95)
    assert model_covariance((at, by_another), np.ones(2))[0, 1] == 0.0


def test_what_a_unit_should_read_given_its_design() -> None:
    """Two normal numbers: the textbook's regression.

    The mean moves by ρ σ₁/σ₂ of what the other is off, and 1 - ρ² of the variance is left.
    """
    both = (FIRST, designed(FIRST))
    observed = Observed(both, np.array([0.0, 3.0]), np.zeros(2), ("", ""))
    matrix = np.array([[4.0, 0.6 * 2.0 * 5.0], [0.6 * 2.0 * 5.0, 25.0]])
    level, sigma = given_design(observed, 1, np.array([1.0, 1.0]), matrix)
    assert level == pytest.approx([1.0 + 0.6 * 2.0 / 5.0 * 2.0])
    assert sigma == pytest.approx([2.0 * math.sqrt(1.0 - 0.36)])

"""Two channels of one unit, on benches whose every answer is a sum on paper."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.inference.channels import (
    GENERIC,
    NOMINAL,
    Common,
    Other,
    TwoChannels,
    common_spreads,
    doubted,
)
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.entry import Measured
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.simulate import Variant
from faultlib.tolerance import MAINS, Spread, spreads
from tests.diagnose.fake_bench import FARADS, Array, FakeBench, LinearUnit, gains

VOLTS = 10.0
READINGS = gains(4)
PATTERN = np.array([2.0, -1.0, 1.5, 0.5])
"""dB for a factor e: C1's and the rail's; no reading of one channel tells the two apart."""
OTHER = np.array([0.5, 2.0, -1.0, 1.0])
"""C2's."""
TOLERANCE = 0.02


def stage() -> Stage:
    parts = tuple(
        Part(name, "electrolytic", (f"n{name}", "0"), FARADS, TOLERANCE) for name in ("C1", "C2")
    )
    return Stage("pair", parts, rails=(Rail("vcc", VOLTS),))


def rule(made: Stage, reading: Reading) -> float:
    """C1 and the rail move a gain alike, in proportion to their logarithms."""
    if reading not in READINGS:
        return 0.0
    k = READINGS.index(reading)
    first, second = (made.part(name).value or FARADS for name in ("C1", "C2"))
    logs = math.log(first / FARADS) + math.log(made.rails[0].volts / VOLTS)
    return float(PATTERN[k]) * logs + float(OTHER[k]) * math.log(second / FARADS)


def measured(values: Array) -> tuple[Measured, ...]:
    return tuple(Measured(r, float(x)) for r, x in zip(READINGS, values, strict=True))


def one(values: Array) -> Result:
    return rank(Case("one", stage(), measured(values)), FakeBench(rule))


def two(suspect: Array, reference: Array, shared: tuple[str, ...] = ("vcc",)) -> Result:
    left, right = measured(reference), measured(suspect)
    case = Case("two", stage(), right, channels=(("left", left), ("right", right)),
                suspect="right", shared=shared)
    return rank(case, FakeBench(rule))


def chance(result: Result, name: str) -> float:
    return math.fsum(s.probability for s in result.suspects if s.name == name)


def part(result: Result, name: str) -> float:
    return math.fsum(s.probability for s in result.suspects if s.part == name)


GOOD = np.zeros(4)
ILL = PATTERN * math.log(0.5)
"""Half of C1 is lost, or the rail is at half of its voltage."""
OFF = OTHER * math.log(0.55)
"""What C2 would do with 45 % lost."""


# -- what the answer must be -----------------------------------------------------------------------


def test_what_both_channels_show_is_no_fault_of_one_of_them() -> None:
    """Alone, C2 is named; with the same in the good channel, the stage file is wrong instead.

    C2 is in each channel by itself, so its fault cannot show in both.
    """
    alone, beside = one(OFF), two(OFF, OFF)
    assert chance(alone, "C2 capacitance loss") > 0.9
    assert chance(beside, "C2 capacitance loss") < 0.02
    assert beside.healthy > max(s.probability for s in beside.suspects)
    assert part(two(OFF, GOOD), "C2") > 0.9


def test_a_fault_shows_beside_an_error_that_both_channels_have() -> None:
    """Gain 2 dB low in both channels of a generic stage, and C1 half dry in one."""
    error = np.full(4, -2.0)
    assert part(two(ILL + error, error), "C1") > 0.9
    assert part(one(ILL + error), "C1") < part(two(ILL + error, error), "C1")


def test_a_shared_supply_is_the_suspect_when_both_channels_depart_alike() -> None:
    """One reading pattern, two causes: which of them, the second channel tells."""
    alike, apart = two(ILL, ILL), two(ILL, GOOD)
    assert chance(alike, "vcc low") > 0.9
    # told without the priors: by how much the second channel turns the odds of one reading pattern
    odds, before = (part(r, "C1") / chance(r, "vcc low") for r in (alike, one(ILL)))
    assert odds < 0.02 * before
    assert part(apart, "C1") > 0.9
    assert part(apart, "vcc") < 0.01
    assert any("both channels are off alike" in n and "vcc" in n for n in alike.notes)
    assert not any("both channels are off alike" in n for n in apart.notes)
    for result in (alike, apart):
        assert "the left channel is the reference for the right one" in result.notes


def test_a_supply_of_its_own_is_a_part_of_the_channel() -> None:
    """A good channel beside says nothing against the suspect's own supply: the odds stay."""
    alone, apart = one(ILL), two(ILL, GOOD, shared=())
    before = part(alone, "vcc") / part(alone, "C1")
    after = part(apart, "vcc") / part(apart, "C1")
    assert part(apart, "vcc") > 0.1
    assert math.log(after) == pytest.approx(math.log(before), abs=0.3)
    assert any("its own supply" in n for n in apart.notes)


def test_own_supplies_do_not_explain_what_both_channels_show() -> None:
    """Two supplies failing alike is rarer than any: nothing of one channel comes up."""
    alike, fed_alike = two(ILL, ILL, shared=()), two(ILL, ILL)
    assert chance(alike, "vcc low") < 0.2 * chance(fed_alike, "vcc low")
    assert chance(alike, "C1 capacitance loss") < 0.02
    assert alike.healthy > max(s.probability for s in alike.suspects)
    assert not any("both channels are off alike" in n for n in alike.notes)


def test_the_sheet_says_whether_supplies_are_own(tmp_path: Path) -> None:
    text = """case: two channels
stage: phono-two-transistor
channels:
  left: {readings: [{quantity: gain, frequency: 1 kHz, value: 35 dB}]}
  right: {readings: [{quantity: gain, frequency: 1 kHz, value: 30 dB}]}
suspect: right
"""
    path = tmp_path / "sheet.yaml"
    path.write_text(text, encoding="utf-8")
    assert "vcc" in load_case(path).shared  # common practice: one supply for both
    path.write_text(text + "supply: own\n", encoding="utf-8")
    assert load_case(path).shared == ()


# -- what the bench of two channels reads ----------------------------------------------------------

RAIL = Spread("vcc", "volts", 0.02)
C1 = Spread("C1", "value", 0.1)
BOTH_READ = (READINGS[0], READINGS[0])


def both(variant: Variant, shared: tuple[str, ...] = ("vcc",)) -> tuple[float, float]:
    """First reading of the suspect and of the reference channel, in units of C1's slope."""
    bench = TwoChannels(FakeBench(rule), shared, 1)
    (row,) = bench.values(stage(), [variant], BOTH_READ).values / PATTERN[0]
    return float(row[0]), float(row[1])


@pytest.mark.parametrize(
    ("spread", "shared", "expected"),
    [
        (C1, ("vcc",), (0.1, 0.0)),
        (Other("C1", "value", 0.1), ("vcc",), (0.0, 0.1)),
        (Common("C1", "value", 0.1), ("vcc",), (0.1, 0.1)),
        (RAIL, ("vcc",), (0.02, 0.02)),
        (RAIL, (), (0.02, 0.0)),
        (Other("vcc", "volts", 0.02), (), (0.0, 0.02)),
    ],
)
def test_a_deviation_moves_the_channels_that_have_it(
    spread: Spread, shared: tuple[str, ...], expected: tuple[float, float]
) -> None:
    """Own: the suspect; `Other`: the reference; `Common`, and a shared supply: both."""
    assert both(Variant((), ((spread, 1.0),)), shared) == pytest.approx(expected, abs=1e-12)


def test_own_and_common_deviations_of_one_part_add() -> None:
    """Three independent numbers of one part; logarithms add."""
    moved = Variant((), ((C1, 1.0), (Other("C1", "value", 0.1), -2.0),
                         (Common("C1", "value", 0.1), 3.0)))
    assert both(moved) == pytest.approx((0.4, 0.1), abs=1e-12)


def test_a_fault_is_in_the_suspect_channel_unless_it_feeds_both() -> None:
    loss = Variant((Fault("C1", "capacitance loss", 0.5),))
    assert both(loss) == pytest.approx((math.log(0.5), 0.0))
    low = Variant((Fault("vcc", "low", 0.8),))
    assert both(low) == pytest.approx((math.log(0.8), math.log(0.8)))
    assert both(low, ()) == pytest.approx((math.log(0.8), 0.0))


def test_two_faults_each_go_where_they_belong() -> None:
    """A dry capacitor in one channel and a low rail for both."""
    ill = Variant((Fault("C1", "capacitance loss", 0.5), Fault("vcc", "low", 0.8)))
    assert both(ill) == pytest.approx((math.log(0.4), math.log(0.8)))


def test_a_reading_of_the_reference_stays_that_among_some_of_the_readings() -> None:
    """Whoever asks for a part of the readings, such as those at rest, moves none to the other."""
    own, other = READINGS[0], replace(READINGS[0], channel=1)
    bench = TwoChannels(FakeBench(rule), ("vcc",), 7)
    fault = Variant((Fault("C1", "capacitance loss", 0.5),))
    for asked in ([own, other], [other], [other, own]):
        (row,) = bench.values(stage(), [fault], asked).values
        assert [x == 0.0 for x in row] == [r.channel == 1 for r in asked]


def test_the_same_reference_is_simulated_once() -> None:
    """Every fault of the suspect's own parts leaves the reference as it is."""
    bench = FakeBench(rule)
    losses = [Variant((h.fault(0.5),)) for h in hypotheses(stage()) if h.part in ("C1", "C2")
              and h.mode.name == "capacitance loss"]
    TwoChannels(bench, ("vcc",), 1).values(stage(), losses, BOTH_READ)
    assert bench.asked.count(Variant()) == 1
    assert len(bench.asked) == len(losses) + 1


# -- what varies between good channels -------------------------------------------------------------


def test_what_is_own_varies_three_ways_and_what_is_shared_once() -> None:
    made = common_spreads(stage(), ("vcc",))
    assert [type(s) for s in made if s.target == "C1"] == [Spread, Other, Common]
    assert [type(s) for s in made if s.target == "vcc"] == [Spread]
    own = [type(s) for s in common_spreads(stage(), ()) if s.target == "vcc"]
    assert own == [Spread, Other]  # two supplies to one drawing; their voltage is on the drawing
    value = {type(s): s.sigma for s in made if s.target == "C1"}
    assert value[Spread] == value[Other] == pytest.approx(math.log1p(TOLERANCE) / math.sqrt(3.0))
    assert value[Common] == GENERIC > NOMINAL


def test_the_mains_is_the_same_for_both_channels_whatever_they_share() -> None:
    assert both(Variant((), ((Spread(MAINS, "volts", 0.03), 1.0),)), ()) == (0.0, 0.0)
    bench = FakeBench(rule)
    mains = Variant((), ((Spread(MAINS, "volts", 0.03), 1.0),))
    TwoChannels(bench, (), 1).values(stage(), [mains], BOTH_READ)
    assert bench.asked == [mains, mains]


def test_a_value_that_the_sheet_states_is_not_doubted() -> None:
    """Independent standard deviations add as squares (GUM, JCGM 100, 5.1.2)."""
    known = {s.target: s for s in doubted(stage(), ("C1",))}
    plain = {s.target: s for s in spreads(stage())}
    assert known["C1"] == plain["C1"]
    assert known["C2"].sigma == pytest.approx(math.hypot(plain["C2"].sigma, NOMINAL))
    assert known["vcc"] == plain["vcc"]


def test_a_generic_stage_is_right_with_a_reference_and_not_without() -> None:
    """The stage file 1.5 dB off alike in both channels: only the difference can be trusted."""
    unit = LinearUnit(np.array([PATTERN, OTHER]).T, READINGS, TOLERANCE)
    error = np.full(4, 1.5)
    ill = unit.shift(0, 0.3) + error
    left, right = measured(error), measured(ill)
    case = Case("two", unit.stage, right, channels=(("left", left), ("right", right)),
                suspect="right", shared=())
    beside = rank(case, unit.bench())
    assert beside.suspects[0].name == "C1 capacitance loss"
    assert beside.suspects[0].severity is not None
    size = beside.suspects[0].severity
    truth = FARADS * float(unit.losses()[0].mode.size(np.array([0.3]))[0])
    assert size.low <= truth <= size.high
    lone = rank(replace(case, channels=(), suspect=""), unit.bench())
    assert chance(lone, "C1 capacitance loss") < chance(beside, "C1 capacitance loss")

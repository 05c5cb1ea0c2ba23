"""Trimmers of good units stand where the adjusted reading is right.

Dividers are solved by Kirchhoff's laws; the stages that ship are held against chi-square limits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from circuits.adjust import Adjust
from circuits.batch.engine import Many
from circuits.bench.analysis import Results
from circuits.bench.engine import Engine
from circuits.bench.steps import Ask
from circuits.errors import EngineError, NoSolution
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from diagnose.inference.channels import TwoChannels, common_spreads
from faultlib.adjust import aims, as_set, readings, set_together, settle
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.signature import signatures
from faultlib.simulate import Laboratory, Variant, unit
from faultlib.tolerance import SETTING, Make, Spread, covariance, draw, spreads
from tests.small import read, resistor

VOLTS, UPPER, TRACK, LOWER, POSITION = 10.0, 3000.0, 1000.0, 1000.0, 0.4
WITHIN = 0.02
NEAR = 2e-4
"""A setting is found this exactly: a thirtieth of what a meter of 0.7 % tells."""


def stage(within: float = WITHIN) -> Stage:
    """A supply, a divider with a trimmer in its middle whose wiper is set, and a load of it."""
    return Stage(
        "divider",
        (
            replace(resistor("R1", "vcc", "top", UPPER), tolerance=0.10),
            Part("RV1", "trimmer", ("top", "out", "low"), TRACK, 0.20, position=POSITION),
            replace(resistor("R2", "low", "0", LOWER), tolerance=0.10),
            Part("C1", "electrolytic", ("in", "out"), 1e-5, 0.2, esr=1.0),
        ),
        rails=(Rail("vcc", VOLTS),),
        adjust=(Adjust("RV1", "out", within=within),),
    )


def volts(r1: float, track: float, r2: float, position: float, rail: float = VOLTS) -> float:
    """The wiper of an unloaded divider."""
    return rail * (r2 + position * track) / (r1 + track + r2)


HEALTHY = volts(UPPER, TRACK, LOWER, POSITION)
"""2.8 V."""


def ohms(made: Stage, name: str) -> float:
    found = made.part(name).value
    assert found is not None
    return found


def of(made: Stage, target: str, what: str) -> Spread:
    (one,) = [s for s in spreads(made) if (s.target, s.what) == (target, what)]
    return one


def across(made: Stage, one: Adjust) -> float:
    """What a trimmer is set by, V."""
    above, below = read(made, *readings(one))
    return above - below


# -- one unit --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_whatever_the_parts_the_adjusted_voltage_is_right(seed: int) -> None:
    healthy = stage(0.0)
    made = as_set(healthy, draw(healthy, np.random.default_rng(seed)))
    rail = made.rail("vcc").volts
    r1, track, r2 = (ohms(made, n) for n in ("R1", "RV1", "R2"))
    # solved for the position by hand
    expected = (HEALTHY * (r1 + track + r2) / rail - r2) / track
    assert abs(expected - POSITION) > 1e-3
    assert made.part("RV1").position == pytest.approx(expected, abs=1e-3)
    (found,) = read(made, Reading("dc voltage", at="out", meter=math.inf))
    assert found == pytest.approx(HEALTHY, rel=NEAR)


@pytest.mark.parametrize("z", [-1.5, 1.0])
def test_the_setting_error_is_what_is_left(z: float) -> None:
    healthy = stage()
    moved = ((of(healthy, "RV1", SETTING), z), (of(healthy, "R1", "value"), 1.0))
    made = unit(healthy, Variant((), moved))
    (found,) = read(made, Reading("dc voltage", at="out", meter=math.inf))
    assert found == pytest.approx(HEALTHY * math.exp(WITHIN * z), rel=NEAR)


def test_a_stage_is_drawn_set_right() -> None:
    healthy = stage()
    assert as_set(healthy, ()) is healthy
    plain = replace(stage(), adjust=())
    moved = draw(plain, np.random.default_rng(1))
    assert as_set(plain, moved).part("RV1").position == POSITION


@pytest.mark.parametrize(("z", "end"), [(12.0, 1.0), (-12.0, 0.0)])
def test_a_trimmer_that_cannot_reach_stands_at_its_end(z: float, end: float) -> None:
    """R1 at 3000 exp(±0.66): the wiper would have to be at 1.6 and at -0.1."""
    one = of(stage(), "R1", "value")
    r1 = UPPER * math.exp(one.sigma * z)
    assert not 0.0 <= (HEALTHY * (r1 + TRACK + LOWER) / VOLTS - LOWER) / TRACK <= 1.0
    assert as_set(stage(), ((one, z),)).part("RV1").position == end


def test_units_that_are_set_together_need_not_be_set_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By the batch, all at a turn; each wiper has what Kirchhoff's laws say."""
    healthy = stage()
    moved = [((of(healthy, name, "value"), z),) for name in ("R1", "R2") for z in (-1.0, 0.5, 1.5)]
    pairs = [(*moved[0], *moved[4]), (*moved[2], *moved[3])]
    asked: list[int] = []

    def none(*ask: object) -> Results:
        raise AssertionError(f"ngspice was asked {ask}")

    def counted(asks: Sequence[Ask]) -> Sequence[Results | EngineError]:
        asked.append(len(asks))
        return Many(none).run(asks)

    monkeypatch.setattr(Engine, "run", none)
    set_together(healthy, [(), *moved, *pairs, *moved], counted)
    for deviations in (*moved, *pairs):
        made = as_set(healthy, deviations)
        reads = volts(ohms(made, "R1"), TRACK, ohms(made, "R2"), made.part("RV1").position)
        assert reads == pytest.approx(HEALTHY, rel=NEAR)
    assert len(moved) in asked  # each once, though it was told twice
    assert len(pairs) in asked


def test_a_setting_that_is_not_found_together_is_left_to_whoever_asks_for_it() -> None:
    healthy = stage()
    one = ((of(healthy, "R1", "value"), 0.7),)

    def refuses(asks: Sequence[Ask]) -> Sequence[Results | EngineError]:
        return [NoSolution("none") for _ in asks]

    set_together(healthy, [one], refuses)
    made = as_set(healthy, one)
    reads = volts(ohms(made, "R1"), TRACK, LOWER, made.part("RV1").position)
    assert reads == pytest.approx(HEALTHY, rel=NEAR)


def test_a_fault_comes_after_the_setting() -> None:
    """R2 twice as large in a unit that was set while it was good."""
    one = of(stage(), "R1", "value")
    made = unit(stage(), Variant((Fault("R2", "drift up", 2.0),), ((one, 1.0),)))
    assert made.part("RV1").position == as_set(stage(), ((one, 1.0),)).part("RV1").position
    expected = volts(ohms(made, "R1"), TRACK, 2.0 * LOWER, made.part("RV1").position)
    (found,) = read(made, Reading("dc voltage", at="out", meter=math.inf))
    assert found == pytest.approx(expected, rel=NEAR)
    assert found > 1.2 * HEALTHY


def test_misadjusted_is_where_it_says() -> None:
    one = of(stage(), "R1", "value")
    made = unit(stage(), Variant((Fault("RV1", "misadjusted", 0.9),), ((one, 1.0),)))
    assert made.part("RV1").position == 0.9


def test_an_aim_that_is_told_goes_before_what_the_stage_reads() -> None:
    made = as_set(aims(stage(), [3.1]), ())
    expected = (3.1 * (UPPER + TRACK + LOWER) / VOLTS - LOWER) / TRACK
    assert made.part("RV1").position == pytest.approx(expected, abs=1e-3)


def test_a_trimmer_drawn_where_its_reading_is_flat_is_still_set() -> None:
    """A diode-connected transistor behind a divider: below 0.4 V nothing flows through R2.

    What R2 reads at the setting is Kirchhoff's: I·R2 across it, IS·exp(V/26 mV) = I.
    """
    made = replace(
        Stage(
            "follower",
            (
                Part("RV1", "trimmer", ("vcc", "b", "0"), 1000.0, position=0.0),
                Part("Q1", "npn", ("vcc", "b", "out"), parameters=(("IS", 1e-14), ("BF", 200.0))),
                resistor("R2", "out", "0", 100.0),
                Part("C1", "electrolytic", ("in", "b"), 1e-5, 0.2, esr=1.0),
            ),
            rails=(Rail("vcc", VOLTS),),
        ),
        adjust=(Adjust("RV1", "out", within=WITHIN, aim=0.5),),
    )
    stood = as_set(made, ())
    (found,) = read(stood, Reading("dc voltage", at="out"))
    assert found == pytest.approx(0.5, rel=5e-3)
    # 5 mA through R2: 26 mV * ln(5 mA / 10 fA) = 0.70 V above it, at the wiper of an idle divider
    assert stood.part("RV1").position == pytest.approx((0.5 + 0.697) / VOLTS, rel=0.02)


@pytest.mark.parametrize("start", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("slope", [1.0, -1.0])
@pytest.mark.parametrize("root", [0.02, 0.37, 0.98])
def test_settling_finds_the_root_of_a_curve_that_bends(
    start: float, slope: float, root: float
) -> None:
    """Of tanh 8(x − root), nearly flat far from it, where a secant would go astray."""
    found = settle(lambda x: slope * 3.0 * math.tanh(8.0 * (x - root)), start, 24.0 * slope)
    assert found == pytest.approx(root, abs=2e-4)


# -- the spread of good units ----------------------------------------------------------------------


def test_the_covariance_is_that_of_set_units() -> None:
    """Of a divider, differentiated by hand: the trimmer takes back what the parts would do.

    Adjusted: only the setting error is left. At `low`, I R2 with I = V / (R1 + track + R2), of
    which the setting has no part. At `top`, the same with the track.
    """
    made = stage()
    around = [of(made, "R1", "value"), of(made, "RV1", "value"), of(made, "R2", "value"),
              of(made, "vcc", "volts"), of(made, "RV1", SETTING)]
    at = [Reading("dc voltage", at=n) for n in ("out", "low", "top")]
    with Laboratory(workers=0) as bench:
        found = signatures(made, at, (), bench, None, around)
    whole = UPPER + TRACK + LOWER
    expected = []
    for name, one in zip(("R1", "RV1", "R2", "vcc"), around, strict=False):
        scale = {n: math.exp(one.sigma) if n == name else 1.0 for n in ("R1", "RV1", "R2", "vcc")}
        r1, track, r2 = UPPER * scale["R1"], TRACK * scale["RV1"], LOWER * scale["R2"]
        current = VOLTS * scale["vcc"] / (r1 + track + r2)
        before = VOLTS / whole
        expected.append([0.0, current * r2 - before * LOWER,
                         current * (track + r2) - before * (TRACK + LOWER)])
    expected.append([HEALTHY * (math.exp(WITHIN) - 1.0), 0.0, 0.0])
    assert found.sensitivities == pytest.approx(np.array(expected), abs=NEAR * VOLTS)
    assert covariance(found.sensitivities)[0, 0] == pytest.approx((HEALTHY * WITHIN) ** 2, rel=0.03)


def test_lines_of_a_faulty_unit_keep_the_setting_of_the_good_one() -> None:
    """R2 at double: the wiper stays where R1 had it set while R2 was good."""
    made = stage()
    one = of(made, "R1", "value")
    at = [Reading("dc voltage", at="out")]
    fault = next(h for h in hypotheses(made) if h.label() == "R2 drift up").fault(2.0)
    with Laboratory(workers=0) as bench:
        found = signatures(made, at, (), bench, None, [one])
        (lines,) = found.lines([Variant((fault,))], bench)
    assert lines is not None
    r1 = UPPER * math.exp(one.sigma)
    position = (HEALTHY * (r1 + TRACK + LOWER) / VOLTS - LOWER) / TRACK
    ill = volts(UPPER, TRACK, 2.0 * LOWER, POSITION)
    assert lines[0][0] == pytest.approx(ill, rel=NEAR)
    moved = volts(r1, TRACK, 2.0 * LOWER, position) - ill
    assert lines[1][0, 0] == pytest.approx(moved, abs=NEAR * VOLTS)
    assert abs(moved) > 0.01  # else a setting made with the fault could not be told


SET = {
    "output-complementary": 0.10, "output-quasi-complementary": 0.10, "output-mosfet": 0.10,
    "supply-regulated": 0.01,
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SET)
def test_good_units_of_a_stage_are_set_as_well_as_stated(name: str) -> None:
    """100 units: the spread of the adjusted voltage is the setting error (central 99.9 %).

    Units whose trimmer does not reach are few; they count as they are.
    """
    healthy = load_stage(name)
    (one,) = healthy.adjust
    random = np.random.default_rng(1)
    logs = []
    ends = 0
    reference = across(healthy, one)
    for _ in range(100):
        made = as_set(healthy, draw(healthy, random))
        ends += made.part(one.part).position in (0.0, 1.0)
        logs.append(math.log(across(made, one) / reference))
    low, high = stats.chi2.interval(0.999, 99)
    assert ends <= 5
    assert low < 99 * np.var(logs, ddof=1) / SET[name] ** 2 < high
    # the same units with the trimmer as drawn spread far wider
    random = np.random.default_rng(1)
    loose = []
    for _ in range(40):
        made = as_set(replace(healthy, adjust=()), draw(healthy, random))
        loose.append(across(made, one))
    assert np.std(np.log(np.maximum(loose, 1e-3 * reference))) > 2.0 * SET[name]


def test_in_a_unit_the_trimmer_of_the_output_stage_is_set() -> None:
    whole = load_stage("receiver-chain")
    (one,) = whole.adjust
    assert (one.part, one.at, one.origin) == ("output.RV1", "output.e7", "output.e8")
    reference = across(whole, one)
    moved = ((Spread("output.Q4", "IS", 0.5), 1.0), (Make("driver-npn", "IS", 0.5), -1.0))
    made = as_set(whole, moved)
    assert across(made, one) == pytest.approx(reference, rel=2e-3)
    assert abs(made.part("output.RV1").position - whole.part("output.RV1").position) > 0.01


def test_each_of_two_channels_has_a_trimmer_of_its_own() -> None:
    """The other channel's parts and its setting error leave this one alone."""
    made = stage()
    at = [Reading("dc voltage", at="out"), Reading("dc voltage", at="low")] * 2
    around = [s for s in common_spreads(made, ("vcc",)) if (s.target, s.what) in
              (("RV1", SETTING), ("R2", "value"))]
    with Laboratory(workers=0) as bench:
        found = signatures(made, at, (), TwoChannels(bench, ("vcc",), 2), None, around)
    moved = {(type(s).__name__, s.target): row for s, row in
             zip(found.spreads, found.sensitivities, strict=True)}
    error = HEALTHY * (math.exp(WITHIN) - 1.0)
    # at `low`, below the track, the current stays as it is when the wiper is turned
    assert moved["Spread", "RV1"] == pytest.approx([error, 0.0, 0.0, 0.0], abs=NEAR * VOLTS)
    assert moved["Other", "RV1"] == pytest.approx([0.0, 0.0, error, 0.0], abs=NEAR * VOLTS)
    assert moved["Spread", "R2"][[0, 2, 3]] == pytest.approx(np.zeros(3), abs=NEAR * VOLTS)
    assert moved["Other", "R2"][[0, 1, 2]] == pytest.approx(np.zeros(3), abs=NEAR * VOLTS)
    assert moved["Spread", "R2"][1] == pytest.approx(moved["Other", "R2"][3], rel=1e-3)
    assert moved["Spread", "R2"][1] > 0.02

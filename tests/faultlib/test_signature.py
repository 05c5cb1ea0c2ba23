"""Signatures against closed forms: sizes follow a curve as well as readings can tell."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from circuits.errors import NoSolution
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.fault import Fault
from faultlib.mode import FIRST_SIZES
from faultlib.signature import (
    MOST_SIZES,
    ROUNDS,
    Signature,
    differences,
    sensitivities_at,
    signatures,
)
from faultlib.simulate import LATE, Answer, Laboratory, Problem, Progress, Variant
from faultlib.tolerance import spreads
from tests.diagnose.fake_bench import FARADS, LOSS, Array, FakeBench, LinearUnit, Rule, gains

LINEAR = LinearUnit(np.array([[1.0, -2.0], [0.5, 3.0], [0.0, 0.1]]), gains(3))
GAIN = Reading("gain", frequency=20.0)
PHASE = Reading("phase", frequency=20.0)
DENSE = np.linspace(0.0, 1.0, 501)


def loss() -> Hypothesis:
    return LINEAR.losses()[0]


def value(stage: Stage) -> float:
    farads = stage.part("C1").value
    assert farads is not None
    return farads / FARADS


def one(rule: Rule, *readings: Reading) -> tuple[Signature, FakeBench, Array]:
    """The signature of a loss of C1, the bench that was asked, and the healthy readings."""
    bench = FakeBench(rule)
    found = signatures(LINEAR.stage, readings or (GAIN,), [loss()], bench)
    return found.faults[0], bench, found.healthy


def worst(signature: Signature, rule: Rule) -> float:
    """The largest error between the sizes that were simulated, dense reference by the rule."""
    from faultlib.inject import inject

    sizes = loss().mode.size(DENSE)
    true = [rule(inject(LINEAR.stage, Fault("C1", LOSS, float(s))), GAIN) for s in sizes]
    return float(np.abs(signature.at(sizes)[:, 0] - np.array(true)).max())


def test_a_straight_line_needs_no_more_sizes() -> None:
    found, bench, _ = one(LINEAR.rule)
    assert len(found.sizes) == FIRST_SIZES
    assert worst(found, LINEAR.rule) < 1e-9
    # healthy, one for each spread, the first grid; nothing else
    assert len(bench.asked) == 1 + 2 + FIRST_SIZES


def corner(steepness: int) -> Rule:
    """A high-pass of that order at a quarter of the capacitance: flat, a knee, then a slope."""

    def rule(stage: Stage, reading: Reading) -> float:
        ratio = 0.25 / value(stage)
        return -10.0 * steepness * math.log10(1.0 + ratio**2)

    return rule


@pytest.mark.parametrize("order", [1, 2, 3])
def test_a_bent_curve_is_followed_as_well_as_readings_can_tell(order: int) -> None:
    """Half the resolution of a bench reading of gain, 0.1 dB, and of the parts' own spread."""
    found, _, _ = one(corner(order))
    assert FIRST_SIZES < len(found.sizes) <= MOST_SIZES
    assert worst(found, corner(order)) < 0.5 * GAIN.about.uncertainty
    few = np.linspace(0.0, 1.0, FIRST_SIZES)
    lines = np.interp(DENSE, few, found.at(loss().mode.grid(FIRST_SIZES))[:, 0])
    apart = np.abs(lines - found.at(loss().mode.size(DENSE))[:, 0])
    assert apart.max() > 0.3  # the control: lines along the first grid would not do


def test_sizes_gather_where_the_curve_bends() -> None:
    found, _, _ = one(corner(2))
    place = loss().mode.place(found.sizes)
    straight = int((place > 0.7).sum())  # a decade below the knee: within 0.1 dB of a line
    assert straight <= 3
    assert int((place < 0.3).sum()) >= 2 * straight


def test_a_jump_does_not_explode() -> None:
    """A reading that flips from one state to another can never be met by halving."""

    def flips(stage: Stage, reading: Reading) -> float:
        return 40.0 if value(stage) > 0.0371 else -80.0

    found, bench, _ = one(flips)
    assert len(found.sizes) <= MOST_SIZES
    assert len(bench.asked) <= 3 + FIRST_SIZES + 4 * ROUNDS
    # the jump is confined to a part of the range, and no value lies outside both states
    inside = found.at(loss().mode.size(DENSE))[:, 0]
    assert inside.min() >= -80.0 - 1e-9
    assert inside.max() <= 40.0 + 1e-9
    between = (inside > -79.0) & (inside < 39.0)
    assert between.mean() < 1.5 / (FIRST_SIZES - 1)


def test_noise_everywhere_stays_within_the_budget() -> None:
    """Readings without any order: every gap asks to be divided, for ever."""

    def wild(stage: Stage, reading: Reading) -> float:
        return 100.0 * math.sin(1e9 * value(stage))

    found, bench, _ = one(wild)
    assert len(found.sizes) <= MOST_SIZES
    assert len(bench.asked) <= 3 + MOST_SIZES


def test_sizes_that_cannot_be_simulated_are_left_out_and_named() -> None:
    def gone(stage: Stage, reading: Reading) -> float:
        if 0.05 < value(stage) < 0.2:
            raise NoSolution("it latches up")
        return 20.0 * math.log10(value(stage))

    bench = FakeBench(gone)
    found = signatures(LINEAR.stage, (GAIN,), [loss()], bench)
    (signature,) = found.faults
    assert not ((signature.sizes > 0.05) & (signature.sizes < 0.2)).any()
    assert np.isfinite(signature.values).all()
    assert {(p.variant, p.text) for p in found.problems} == {(f"C1 {LOSS}", "it latches up")}
    # a decade of capacitance is 20 dB, and a straight line here: the gap is bridged
    assert worst(signature, lambda s, r: 20.0 * math.log10(value(s))) < 1e-6


def test_a_fault_that_cannot_be_simulated_at_all_is_named_and_left_out() -> None:
    def dead(stage: Stage, reading: Reading) -> float:
        if value(stage) < 0.9:
            raise NoSolution("no operating point")
        return 0.0

    found = signatures(LINEAR.stage, (GAIN,), LINEAR.losses(), FakeBench(dead))
    assert [s.hypothesis.part for s in found.faults] == ["C2"]
    assert [p.variant for p in found.problems] == [f"C1 {LOSS}"]


def test_a_healthy_stage_that_cannot_be_simulated_is_said_so() -> None:
    def never(stage: Stage, reading: Reading) -> float:
        raise NoSolution("two sources in a loop")

    with pytest.raises(NoSolution, match=r"healthy stage linear .* two sources in a loop") as told:
        signatures(LINEAR.stage, (GAIN,), [loss()], FakeBench(never))
    assert str(told.value).count("loop") == 1  # said once, though every variant failed alike


def test_a_mode_without_degrees_has_one_size() -> None:
    stage = LINEAR.stage
    opens = [h for h in hypotheses(stage) if h.mode.name == "open"]
    found = signatures(stage, LINEAR.readings, opens, LINEAR.bench())
    for signature in found.faults:
        assert signature.values.shape == (1, 3)
        np.testing.assert_array_equal(signature.at(np.ones(4)), np.repeat(signature.values, 4, 0))


@pytest.mark.parametrize("bent", [False, True])
def test_few_sizes_of_what_a_short_leaves_unless_readings_bend(bent: bool) -> None:
    """A line on the scale of their logarithm takes three; volts across them, R·I, take more."""
    short = next(h for h in hypotheses(LINEAR.stage) if h.part == "C1" and h.mode.name == "short")

    def rule(stage: Stage, _: Reading) -> float:
        ohms = [p.value or math.nan for p in stage.parts if p.name not in ("C1", "C2")]
        assert len(ohms) <= 1
        return rule_at(ohms[0], bent) if ohms else 0.0

    made = signatures(LINEAR.stage, [GAIN], [short], FakeBench(rule)).faults[0]
    assert (len(made.sizes) == 3) is not bent
    found = made.at(np.array([0.5]))[0, 0]
    assert found == pytest.approx(rule_at(0.5, bent), abs=0.3)


def rule_at(ohms: float, bent: bool) -> float:
    return 20.0 * (ohms if bent else math.log(ohms))


def test_every_fault_gets_its_own_curve() -> None:
    """Two columns of the linear unit: readings = move × ln(what is left)."""
    found = signatures(LINEAR.stage, LINEAR.readings, LINEAR.losses(), LINEAR.bench())
    for i, signature in enumerate(found.faults):
        expected = np.outer(np.log(signature.sizes), LINEAR.moves[:, i])
        np.testing.assert_allclose(signature.values, expected, atol=1e-12)
        assert signature.sizes[0] == 0.7  # from mild to worst
        assert signature.sizes[-1] == 0.005
    np.testing.assert_allclose(found.sensitivities, LINEAR.sensitivities(), atol=1e-12)
    assert found.healthy == pytest.approx(np.zeros(3))


def test_a_phase_runs_on_past_half_a_turn() -> None:
    """A phase of -90° × number of sections, which a meter shows between -180° and 180°."""

    def lag(left: float) -> float:
        return 170.0 - 55.0 * math.log(left)

    def shown(stage: Stage, reading: Reading) -> float:
        return (lag(value(stage)) + 180.0) % 360.0 - 180.0

    found, _, healthy = one(shown, PHASE)
    assert healthy[0] == pytest.approx(170.0)
    np.testing.assert_allclose(found.values[:, 0], [lag(s) for s in found.sizes])


def test_sensitivities_of_faulty_units_are_their_own() -> None:
    """A high-pass, -10 log10(1 + q²) changes by 20 log10(e) q² / (1 + q²) for each ln C."""
    units = [Variant(), Variant((Fault("C1", LOSS, 0.1),)), Variant((Fault("C1", LOSS, 0.01),))]
    found = sensitivities_at(
        LINEAR.stage, (GAIN,), units, spreads(LINEAR.stage), FakeBench(corner(1))
    )
    sigma = math.log1p(LINEAR.tolerance) / math.sqrt(3.0)
    for left, answer in zip((1.0, 0.1, 0.01), found, strict=True):
        assert answer is not None
        readings, moves = answer
        q2 = (0.25 / left) ** 2
        assert readings[0] == pytest.approx(-10.0 * math.log10(1.0 + q2))
        slope = 20.0 * math.log10(math.e) * q2 / (1.0 + q2)
        assert moves[0, 0] == pytest.approx(slope * sigma, rel=1e-2)
        assert moves[1, 0] == 0.0


def test_a_unit_without_a_solution_has_no_sensitivities() -> None:
    def dead(stage: Stage, reading: Reading) -> float:
        if value(stage) < 0.5:
            raise NoSolution("no operating point")
        return 1.0

    units = [Variant((Fault("C1", LOSS, s),)) for s in (0.6, 0.1)]
    around = spreads(LINEAR.stage)
    good, bad = sensitivities_at(LINEAR.stage, (GAIN,), units, around, FakeBench(dead))
    assert good is not None
    assert bad is None


FLOATING = Stage("floating", (
    Part("R1", "carbon-film", ("vcc", "x"), 100e3, 0.05),
    Part("C1", "film", ("x", "0"), 1e-6, 0.1),
    Part("R2", "carbon-film", ("vcc", "y"), 2e6, 0.05),
    Part("R3", "carbon-film", ("y", "0"), 2e6, 0.05),
    Part("R4", "wirewound", ("in", "0"), 1e6),
), rails=(Rail("vcc", 30.0),))
"""Without R1 nothing but leakage and a meter is at x; y has a megohm, much for a meter of ten."""


def test_a_voltage_that_hangs_on_the_meter_is_unsure_by_what_the_meter_takes() -> None:
    """Ohm's law: an open resistor and a meter of 10 Mohm divide 30 V; without it all is there."""
    readings = [Reading("dc voltage", at="x"), Reading("dc voltage", at="y")]
    opened = Variant((Fault("R1", "open", 1.0),))
    with Laboratory(workers=0) as bench:
        found = signatures(FLOATING, readings, (), bench)
        good, ill = found.lines([Variant(), opened], bench)
        free = bench.values(FLOATING, [opened], [Reading("dc voltage", at="x", meter=math.inf)])
    assert good is not None
    assert ill is not None
    alike = len(found.sensitivities)
    np.testing.assert_array_equal(good[1][alike:], 0.0)
    more = np.sqrt((ill[1][alike:] ** 2).sum(axis=0))
    assert free.values[0, 0] == pytest.approx(30.0, abs=0.1)
    assert ill[0][0] < 15.0
    assert more == pytest.approx([free.values[0, 0] - ill[0][0], 0.0], abs=1e-6)


def test_who_brings_his_own_meter_of_no_load_is_told_no_more_than_is_known() -> None:
    """A voltmeter that draws nothing takes nothing away."""
    with Laboratory(workers=0) as bench:
        found = signatures(FLOATING, [Reading("dc voltage", at="x", meter=math.inf)], (), bench)
        (ill,) = found.lines([Variant((Fault("R1", "open", 1.0),))], bench)
    assert ill is not None
    assert len(ill[1]) == len(found.sensitivities)


FED = Stage("fed", (
    Part("R1", "wirewound", ("vcc", "0"), 300.0, 0.05),
    Part("R2", "carbon-film", ("vcc", "y"), 10e3, 0.05),
    Part("R3", "carbon-film", ("y", "0"), 10e3, 0.05),
    Part("R4", "wirewound", ("in", "0"), 1e6),
), rails=(Rail("vcc", 30.0, ((100.0, 0.3),), 1.0),))
"""A supply for 0.1 A; with R1 shorted it gives several ampere."""


def test_beyond_what_a_supply_is_made_for_no_reading_lies_on_a_line() -> None:
    """A shorted load: half of what regulation moves each voltage is its own; else nothing is."""
    readings = [Reading("dc voltage", at=at) for at in ("vcc", "y")]
    short, drift = (Variant((Fault("R1", mode, size),))
                    for mode, size in (("short", 1.0), ("drift up", 1.3)))
    with Laboratory(workers=0) as bench:
        found = signatures(FED, readings, (), bench)
        over, usual, good = found.lines([short, drift, Variant()], bench)
    assert over is not None
    assert usual is not None
    assert good is not None
    alike = len(found.sensitivities)
    assert over[0][0] < 15.0  # V of 30
    (where,) = [k for k, s in enumerate(found.varying) if s.what == "regulation"]
    assert (np.abs(over[1][where]) > 0.1 * over[0]).all()
    np.testing.assert_allclose(over[1][-2:], np.diag(0.5 * np.abs(over[1][where])))
    np.testing.assert_array_equal(over[1][alike:-2], 0.0)
    for lines in (usual[1], good[1]):
        np.testing.assert_array_equal(lines[alike:], 0.0)


def test_differences_of_phases_go_the_short_way() -> None:
    """-179° is 2° beyond 179°; a voltage is no angle, and a missing row is no change."""
    readings = (PHASE, Reading("dc voltage", at="n1"))
    rows = np.array([[-179.0, 300.0], [math.nan, math.nan]])
    found = differences(rows, np.array([179.0, -100.0]), readings)
    np.testing.assert_allclose(found, [[2.0, 400.0], [0.0, 0.0]])


def test_the_high_pass_of_the_textbook_through_the_real_simulator() -> None:
    """C into R with the series resistance of C: gain in dB, the closed form, at every size."""
    from pathlib import Path

    from faultlib.simulate import Laboratory

    stage = load_stage(Path(__file__).resolve().parents[1] / "data" / "coupling.yaml")
    (lost,) = [h for h in hypotheses(stage) if h.label() == f"C1 {LOSS}"]
    with Laboratory(workers=0) as bench:
        (found,) = signatures(stage, [GAIN], [lost], bench).faults
    sizes = lost.mode.size(DENSE)
    esr = stage.part("C1").esr
    reactance = 1.0 / (2.0 * math.pi * 20.0 * 10e-6 * sizes)
    expected = 20.0 * np.log10(10e3 / np.abs(10e3 + esr - 1j * reactance))
    np.testing.assert_allclose(found.at(sizes)[:, 0], expected, atol=0.05)


def test_nothing_is_simulated_after_a_healthy_unit_that_cannot_be() -> None:
    """A drive of 1e9 V hangs in every variant; one is enough to know."""

    def never(stage: Stage, reading: Reading) -> float:
        raise NoSolution("no result within 20 s")

    bench = FakeBench(never)
    with pytest.raises(NoSolution, match=r"healthy stage linear .* no result within 20 s"):
        signatures(LINEAR.stage, (GAIN,), [loss()], bench)
    assert bench.asked == [Variant()]


class Hurried(FakeBench):
    """A bench whose time is over after so many variants."""

    most = 0

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        left = max(self.most - len(self.asked), 0)
        answer = super().values(stage, variants, readings, progress)
        answer.values[left:] = np.nan
        late = tuple(Problem(v.label(), LATE, "no time was left") for v in variants[left:])
        return Answer(answer.values, late, min(left, len(variants)))


def test_faults_that_come_too_late_are_named() -> None:
    bench = Hurried(LINEAR.rule)
    bench.most = 1 + len(spreads(LINEAR.stage)) + 7
    found = signatures(LINEAR.stage, LINEAR.readings, LINEAR.losses(), bench)
    assert [s.hypothesis.part for s in found.faults] == ["C1"]
    assert {p.variant for p in found.problems} == {"C2 capacitance loss"}


def test_without_the_spread_of_good_units_there_is_no_answer() -> None:
    """Good parts that came too late would count as parts that move nothing."""
    bench = Hurried(LINEAR.rule)
    bench.most = 2
    with pytest.raises(NoSolution, match="time was over"):
        signatures(LINEAR.stage, LINEAR.readings, LINEAR.losses(), bench)
    assert sensitivities_at(LINEAR.stage, LINEAR.readings, [Variant()], spreads(LINEAR.stage),
                            bench) == [None]

"""Steps get their own answers and errors, in order, whoever walks beside them.

What walks abreast is held against the same steps alone: that many ask at once must not move a
number by a bit. Every circuit is loaded afresh for that, since ngspice rounds a number that is
altered otherwise than one that is loaded (`circuits.bench.difference`). The steps of the first part
collect what a table answers, so that what they come to is seen by eye.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from circuits.bench.analysis import Analysis, Bias, Floats, OperatingPoint, Results
from circuits.bench.engine import Engine
from circuits.bench.loaded import loaded
from circuits.bench.plan import Plan
from circuits.bench.steps import Ask, Run, Steps, abreast, alone, ask
from circuits.bench.take import fed, plan, take, take_many, taking
from circuits.circuit import Circuit, Element
from circuits.errors import EngineError, EngineFault, EngineMissing, NoSolution, Oscillates
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.measure import _reading, measured
from faultlib.variant import Variant
from tests.small import resistor

ASKED = (OperatingPoint(("out",)),)
LEFT = "left"
"""What a unit notes that is closed half way."""


def net(number: float) -> Circuit:
    """A circuit that is no more than a number, which `table` reads back."""
    return Circuit((Element("V1", ("a", "0"), 1.0),), options=(f"reltol={number!r}",))


def table(circuit: Circuit, analyses: Sequence[Analysis]) -> Results:
    """A simulator that answers with the number of the circuit; a negative one has no solution."""
    del analyses
    number = float(circuit.options[0].partition("=")[2])
    if number < 0.0:
        raise NoSolution(f"none of {number:g}")
    return (Bias(np.array([number]), np.zeros(0)),)


def number(results: Results) -> float:
    (bias,) = results
    assert isinstance(bias, Bias)
    return float(bias.nodes[0])


def added(*numbers: float) -> Steps[list[float]]:
    """What the table answers to some numbers, one step each."""
    found = []
    for one in numbers:
        found.append(number((yield from ask(net(one), ASKED))))
    return found


def patient(*numbers: float) -> Steps[list[float | str]]:
    """The same, with the reason in place of what has no solution."""
    found: list[float | str] = []
    for one in numbers:
        try:
            found.append(number((yield from ask(net(one), ASKED))))
        except NoSolution as error:
            found.append(str(error))
    return found


class Turns:
    """A simulator of many that answers one by one, and keeps what was asked at every turn."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.asked: list[Sequence[Ask]] = []

    def __call__(self, asks: Sequence[Ask]) -> list[Results | EngineError]:
        self.asked.append(asks)
        return [self._one(*one) for one in asks]

    def _one(self, circuit: Circuit, analyses: Sequence[Analysis]) -> Results | EngineError:
        try:
            return self.run(circuit, analyses)
        except EngineError as error:
            return error


# -- alone -----------------------------------------------------------------------------------------


def test_each_answer_comes_to_what_asked_for_it() -> None:
    assert alone(added(3.0, 1.0, 2.0), table) == [3.0, 1.0, 2.0]


def test_steps_that_ask_for_nothing_are_at_their_end() -> None:
    assert alone(added(), table) == []


def test_an_error_arrives_where_it_was_asked() -> None:
    assert alone(patient(1.0, -2.0, 3.0), table) == [1.0, "none of -2", 3.0]


def test_an_error_that_nobody_meets_comes_out() -> None:
    with pytest.raises(NoSolution, match="none of -2"):
        alone(added(1.0, -2.0, 3.0), table)


def test_a_bug_of_the_simulator_is_no_answer() -> None:
    def broken(circuit: Circuit, analyses: Sequence[Analysis]) -> Results:
        raise KeyError("wrong")

    with pytest.raises(KeyError):
        alone(patient(1.0), broken)


def test_a_tuple_of_analyses_is_handed_on_as_it_is() -> None:
    asked = next(ask(net(1.0), ASKED))
    assert asked[1] is ASKED


# -- abreast ---------------------------------------------------------------------------------------


def test_units_of_uneven_length_each_keep_their_order() -> None:
    turns = Turns(table)
    found = abreast([added(1.0), added(2.0, 3.0, 4.0), added(), added(5.0, 6.0)], turns)
    assert found == [[1.0], [2.0, 3.0, 4.0], [], [5.0, 6.0]]
    asked = [[circuit.options[0] for circuit, _ in turn] for turn in turns.asked]
    assert asked == [[f"reltol={x}" for x in turn]
                     for turn in (["1.0", "2.0", "5.0"], ["3.0", "6.0"], ["4.0"])]


def test_who_is_ahead_waits_for_those_that_may_ask_the_same() -> None:
    turns = Turns(table)

    def size(one: Ask) -> int:
        return int(float(one[0].options[0].partition("=")[2]))

    flows = [added(5.0, 6.0), added(1.0, 5.0, 6.0), added(3.0), added(5.0, 2.0, 6.0)]
    found = abreast(flows, turns, size)
    assert found == [[5.0, 6.0], [1.0, 5.0, 6.0], [3.0], [5.0, 2.0, 6.0]]
    asked = [[size(one) for one in turn] for turn in turns.asked]
    assert asked == [[1], [3], [5, 5, 5], [2], [6, 6, 6]]


def test_nobody_is_asked_nothing() -> None:
    turns = Turns(table)
    assert abreast([added(), added()], turns) == [[], []]
    assert abreast([], turns) == []
    assert turns.asked == []


def test_one_that_fails_stops_no_other() -> None:
    found = abreast([added(1.0, -2.0, 3.0), added(4.0, 5.0, 6.0), added(-7.0)], Turns(table))
    assert found[1] == [4.0, 5.0, 6.0]
    assert [(type(e), str(e)) for e in (found[0], found[2])] == [
        (NoSolution, "none of -2"), (NoSolution, "none of -7")]


def test_an_error_is_thrown_into_its_own_unit_alone() -> None:
    found = abreast([patient(1.0, 2.0), patient(3.0, -4.0, 5.0), patient(6.0, 7.0)], Turns(table))
    assert found == [[1.0, 2.0], [3.0, "none of -4", 5.0], [6.0, 7.0]]


def test_an_error_that_a_unit_finds_by_itself_is_its_outcome() -> None:
    def swings() -> Steps[list[float]]:
        yield from ask(net(1.0), ASKED)
        raise Oscillates("oscillates at 1 MHz")

    found = abreast([swings(), added(1.0, 2.0)], Turns(table))
    assert isinstance(found[0], Oscillates)
    assert found[1] == [1.0, 2.0]


def refusing(error: Exception) -> Callable[[Sequence[Ask]], list[Results | EngineError]]:
    def run_many(asks: Sequence[Ask]) -> list[Results | EngineError]:
        raise error

    return run_many


@pytest.mark.parametrize("error", [KeyError("wrong"), EngineFault("gone"), EngineMissing("none")])
def test_what_the_simulator_of_many_raises_comes_through(error: Exception) -> None:
    with pytest.raises(type(error)):
        abreast([patient(1.0), patient(2.0)], refusing(error))


@pytest.mark.parametrize("error", [KeyError("wrong"), EngineMissing("none")])
def test_a_bug_in_one_unit_comes_through_and_leaves_none_half_way(error: Exception) -> None:
    left = []

    def waiting() -> Steps[list[float]]:
        try:
            return (yield from added(1.0, 2.0, 3.0))
        finally:
            left.append(LEFT)

    def faulty() -> Steps[list[float]]:
        yield from ask(net(1.0), ASKED)
        raise error

    with pytest.raises(type(error)):
        abreast([waiting(), faulty(), waiting()], Turns(table))
    assert left == [LEFT] * 2


def test_an_answer_too_few_is_a_bug() -> None:
    with pytest.raises(ValueError, match="shorter"):
        abreast([added(1.0), added(2.0)], lambda asks: [table(*asks[0])])


# -- units on the bench ----------------------------------------------------------------------------


def afresh(circuit: Circuit, analyses: Sequence[Analysis]) -> Results:
    """The simulator with nothing in hand from the circuit before."""
    Engine().run(net(1e-3), [OperatingPoint(("a",))])
    return Engine().run(circuit, analyses)


def outcome(stage: Stage, made: Plan, beside: Stage | None = None) -> Floats | EngineError:
    """What `take` gives, from circuits loaded afresh; it gives the same within rounding."""
    try:
        values = alone(taking(stage, made, beside), afresh)
    except EngineError as error:
        with pytest.raises(type(error)):
            take(stage, made, beside)
        return error
    assert take(stage, made, beside) == pytest.approx(values, rel=1e-9, abs=1e-12)
    return values


def same(found: object, expected: object) -> bool:
    """Whether two outcomes are the same to the last bit."""
    if isinstance(expected, EngineError):
        return (type(found), str(found), repr(getattr(found, "values", ()))) == (
            type(expected), str(expected), repr(getattr(expected, "values", ())))
    assert isinstance(expected, np.ndarray)
    return isinstance(found, np.ndarray) and found.tobytes() == expected.tobytes()


PHONO = [Reading("dc voltage", at="c1"), Reading("gain", frequency=1e3),
         Reading("riaa deviation", frequency=50.0), Reading("hum", frequency=100.0),
         Reading("noise", weighting="A"), Reading("noise", level=("output level", 0.3)),
         Reading("resistance", between=("c1", "vd"))]
OUTPUT = [Reading("dc voltage", at="o"), Reading("supply current", rail="vcc"),
          Reading("gain", frequency=1e3),
          Reading("thd", frequency=1e3, level=("power", 1.0), load=8.0)]


def faulty(stage: Stage, *faults: tuple[str, str, float]) -> Stage:
    return fed(stage, inject(stage, [Fault(*one) for one in faults]))


def without_solution(stage: Stage) -> Stage:
    """A rail of ten million million volts, at which no transistor's model has a number."""
    return stage.with_rail(replace(stage.rails[0], volts=1e13))


@pytest.mark.slow
def test_units_of_one_stage_read_abreast_as_one_by_one() -> None:
    """A healthy output stage, a weak transistor, one that swings, and one without a solution.

    Common practice: a three-stage amplifier oscillates when its compensation opens.
    """
    stage = load_stage("output-complementary")
    made = plan(stage, OUTPUT)
    swings = stage.with_part(replace(stage.part("C5"), value=1e-15))
    units = [fed(stage, stage), without_solution(stage), faulty(stage, ("Q5", "low gain", 1.0)),
             swings]
    found = take_many(units, made, [None] * len(units), Turns(afresh))
    kinds = [type(one) for one in found]
    assert kinds == [np.ndarray, NoSolution, np.ndarray, Oscillates]
    for unit, one in zip(units, found, strict=True):
        assert same(one, outcome(unit, made))


def test_different_stages_read_abreast_as_one_by_one() -> None:
    phono, output = load_stage("phono-two-transistor"), load_stage("output-complementary")
    heard, quiet = plan(phono, PHONO), plan(output, OUTPUT[:3])
    mixed = [(phono, heard), (fed(output, output), quiet),
             (faulty(phono, ("C3", "capacitance loss", 0.5)), heard),
             (faulty(output, ("Q5", "collector open", 1.0)), quiet)]
    found = abreast([taking(unit, made) for unit, made in mixed], Turns(afresh))
    for (unit, made), one in zip(mixed, found, strict=True):
        assert same(one, outcome(unit, made))


def test_units_of_one_plan_ask_with_the_same_tuples() -> None:
    """So that what answers many can tell by the object which of them ask alike."""
    stage = load_stage("phono-two-transistor")
    made = plan(stage, PHONO[:5])
    units = [stage, faulty(stage, ("C3", "capacitance loss", 0.5))]
    turns = Turns(Engine().run)
    take_many(units, made, [None] * 2, turns)
    assert turns.asked
    for (_, first), (_, second) in turns.asked:
        assert first is second


def test_two_channels_are_read_abreast_as_one_by_one() -> None:
    """Crosstalk over a resistance in common, with another channel beside."""
    def divider(foot: float) -> Stage:
        parts = (resistor("R1", "in", "out", 9e3), resistor("R2", "out", "m", foot),
                 resistor("R3", "m", "0", 10.0))
        return Stage("divider", parts, source_impedance=1e3, shared=("R3",))

    made = plan(divider(10e3), [Reading("crosstalk", frequency=1e3)])
    units = [divider(10e3), divider(1e3)]
    found = take_many(units, made, [None, units[0]], Turns(afresh))
    assert same(found[0], outcome(units[0], made))
    assert same(found[1], outcome(units[1], made, units[0]))


def test_a_unit_is_measured_in_steps_as_by_itself() -> None:
    stage = load_stage("phono-two-transistor")
    shared = stage, tuple(PHONO[:3])
    variants = [Variant(), Variant((Fault("C3", "capacitance loss", 0.5),)),
                Variant((Fault("Q1", "base open"),))]
    found = abreast([_reading(shared, one) for one in variants], Turns(afresh))
    for one, variant in zip(found, variants, strict=True):
        assert one == alone(_reading(shared, variant), afresh)
    for one, together in zip(found, measured(shared, variants), strict=True):
        # the batch solves the same equations: 0.002 of a dB, of a volt in ten
        assert together.values == pytest.approx(one.values, rel=2e-4, abs=1e-4)


def test_rails_that_follow_settle_in_steps() -> None:
    """A unit that takes much more from its rail asks more than once; a healthy one does not."""
    healthy = load_stage("output-complementary")
    bleeder = resistor("R99", healthy.rails[0].name, "0", 30.0)
    heavy = fed(healthy, replace(healthy, parts=(*healthy.parts, bleeder)))
    turns = Turns(Engine().run)
    found = abreast([loaded(fed(healthy, healthy)), loaded(heavy)], turns)
    assert len(turns.asked) > 1
    assert all(len(turn) == 1 for turn in turns.asked)
    low, high = (one.rails[0].volts for one in found[::-1] if isinstance(one, Stage))
    assert 0.0 < low < 0.97 * high

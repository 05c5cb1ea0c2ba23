"""The readings of many variants at once, in one process: all walk abreast, the batch answers them.

A stage is trusted to the batch when ngspice reads the same of its good unit; else, and where the
batch has no law or finds no solution, ngspice answers, and it is told which units that were.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from circuits.batch import answers
from circuits.batch.engine import Apart, Many, turn
from circuits.bench.analysis import Analysis, Results, Transient
from circuits.bench.engine import Engine
from circuits.bench.plan import Plan
from circuits.bench.steps import Ask, Steps, abreast, alone
from circuits.bench.take import fed, plan, taking
from circuits.circuit import Circuit
from circuits.errors import EngineError, NoSolution, Oscillates
from circuits.identity import ByIdentity
from circuits.reading import Reading, all_compared
from circuits.stage import GROUND, Stage
from faultlib import adjust
from faultlib.adjust import set_together
from faultlib.variant import Variant, of_both, unit

Sheet = tuple[Stage, tuple[Reading, ...]]
"""A stage and what is read of it."""
Settings = Mapping[adjust.Deviations, adjust.Positions]
"""Where the trimmers of good units stand, by what decides it (`faultlib.adjust.to_find`)."""

_TRUST = 0.1
"""How far the batch may be from ngspice in the good unit, in units of what an instrument resolves
(`circuits.quantities`): a tenth of that shows in no answer (judgement)."""
_TRUST_DRIVEN = 6.0
"""The same under drive, where a run in time has an error of its own: of 21 good stages up to 1.3 by
its steps, and 3.6 where it takes hundreds of periods to settle (measured)."""


@dataclass(frozen=True)
class Read:
    """What was read of one variant.

    Attributes
    ----------
    values : tuple of float
        SI units or dB as the registry says; NaN under drive for a unit that swings by itself.
    swings : str
        What is said of one that does.
    apart : bool
        Whether ngspice was asked for what the batch answers of other units.
    """

    values: tuple[float, ...]
    swings: str = ""
    apart: bool = False


def measured(sheet: Sheet, variants: Sequence[Variant]) -> list[Read | EngineError]:
    """What is read of some variants, or why nothing can be."""
    sheet = _same(sheet)
    steps = [_watched(_reading(sheet, variant)) for variant in variants]
    trust = _trusted(sheet)
    if not trust.rest:
        return [_alone(one) for one in steps]
    many = Many(_ngspice, trust.drive).run
    besides = (_beside(sheet[0], one) for one in variants if _with_both(sheet))
    set_together(sheet[0], (one.deviations for one in (*variants, *besides)), many)
    return abreast(steps, many, turn)


def measured_anew(
    sheet: Sheet, variants: Sequence[Variant], settings: Settings | None = None
) -> list[Read | EngineError]:
    """The same by a process that has forgotten what it did before.

    Which units are solved together, and what was solved earlier, shows in the last digits. So the
    answers of a chunk are the same to the last digit whoever takes it, whenever, and on any machine
    of its kind. What that costs most, to find where the trimmers of the same good units stand once
    for every suspect, is spared by telling it.

    Parameters
    ----------
    settings : mapping, optional
        Where trimmers stand (`set_anew`).
    """
    sheet = _same(sheet)
    trust = _trusted(sheet)  # once, and before: it simulates too
    answers.forget()
    adjust.forget()
    if settings and trust.rest:
        adjust.told(sheet[0], settings)
    return measured(sheet, variants)


def set_anew(
    stage: Stage, units: Sequence[adjust.Deviations]
) -> list[adjust.Positions | EngineError]:
    """Where the trimmers of good units stand, by a process that has forgotten what it did before.

    Parameters
    ----------
    units : sequence of deviations
        What decides it (`faultlib.adjust.to_find`).
    """
    stage = _same_stage(stage)
    answers.forget()
    adjust.forget()
    set_together(stage, units, Many(_ngspice).run)
    found = (adjust.standing(stage, one) for one in units)
    return [NoSolution("its trimmers cannot be set") if one is None else one for one in found]


def _beside(stage: Stage, variant: Variant) -> Variant:
    """The other channel of a unit."""
    return variant.beside or variant.shared(stage.shared)


def _ngspice(net: Circuit, analyses: Sequence[Analysis]) -> Results:
    return Engine().run(net, analyses)


def _alone(steps: Steps[Read]) -> Read | EngineError:
    try:
        return replace(alone(steps, _ngspice), apart=True)
    except EngineError as error:
        return error


def _reading(sheet: Sheet, variant: Variant) -> Steps[Read]:
    """Steps to the readings of one variant."""
    stage, _ = sheet
    other, good = None, _good(stage)
    if _with_both(sheet):
        other = fed(good, unit(stage, _beside(stage, variant)))
    mine = fed(good, unit(stage, variant))
    try:
        planned = _plan_of(sheet, mine.charged, mine.load_return, mine.input_return)
        found = yield from taking(mine, planned, other)
        return Read(tuple(found.tolist()))
    except Oscillates as error:
        return Read(error.values, str(error))


def _watched(steps: Steps[Read]) -> Steps[Read]:
    """The same steps, noting whether an answer is one that the batch did not have."""
    apart = False
    try:
        asked: Ask = next(steps)
        while True:
            try:
                answer: Results = yield asked
            except EngineError as error:
                asked = steps.throw(error)
                continue
            still = not any(isinstance(one, Transient) for one in asked[1])
            apart = apart or (still and isinstance(answer, Apart))
            asked = steps.send(answer)
    except StopIteration as end:
        found: Read = end.value
        return replace(found, apart=apart)


_good = ByIdentity(lambda stage: unit(stage, Variant()))
"""The good unit of a stage: its trimmers set, as the rails' figures want it."""


_with_both = ByIdentity(lambda sheet: any(map(of_both, sheet[1])), 64)
"""Whether a sheet has readings of two channels."""


@lru_cache(maxsize=8)
def _same(sheet: Sheet) -> Sheet:
    """The sheet as it came in first: what is kept of a stage is kept of that object."""
    return sheet


@lru_cache(maxsize=8)
def _same_stage(stage: Stage) -> Stage:
    return stage


def _planned(
    sheet: Sheet, charged: tuple[str, ...], load_return: str, input_return: str
) -> Plan:
    """The plan for units in which faults have added these ways in and back.

    Charging current in an earth joint is one more way in, which the plan must ask for, and the
    load's current one more way back; a joint below the input is where its plug returns.
    """
    stage, readings = sheet
    if charged or load_return != GROUND:
        stage = replace(stage, charged=charged, load_return=load_return, input_return=input_return)
    return plan(stage, readings)


_plan_of = ByIdentity(_planned, 64)


@dataclass(frozen=True)
class _Trust:
    """Whether the batch reads a good unit as ngspice does, at rest and under drive."""

    rest: bool
    drive: bool


@lru_cache(maxsize=8)
def _compared(stage: Stage) -> dict[Reading, bool]:
    """Whether the batch reads what ngspice does in the good unit, as far as was looked for."""
    return {}


@lru_cache(maxsize=8)
def _trusted(sheet: Sheet) -> _Trust:
    """Whether the batch is trusted with a sheet; readings that were compared are not once more."""
    stage, readings = sheet
    known = _compared(stage)
    if not all(reading in known for reading in readings):
        try:
            one = alone(_reading(sheet, Variant()), _ngspice)
        except EngineError:
            return _Trust(True, True)
        (many,) = abreast([_reading(sheet, Variant())], Many(_ngspice).run)
        if isinstance(many, EngineError):
            return _Trust(False, False)
        known.update((reading, _alike(reading, a, b)) for reading, a, b
                     in zip(readings, one.values, many.values, strict=True))
    found = {True: True, False: True}
    for reading in readings:
        found[reading.driven] &= known[reading]
    return _Trust(found[False], found[True])


def _alike(reading: Reading, *values: float) -> bool:
    first, second = (all_compared(reading, np.array([value]))[0] for value in values)
    about = reading.about
    linear = about.relative * max(abs(first), abs(second))
    error = about.uncertainty + (0.0 if math.isnan(linear) else linear)
    if math.isnan(first) and math.isnan(second):
        return True
    most = _TRUST_DRIVEN if reading.driven else _TRUST
    return bool(abs(first - second) <= most * error)

"""The virtual bench: take readings of a stage.

`plan` sorts readings into requests once; `take` runs them on one variant of the stage after
another, `take_many` on many at the same turn. This is the seam to the simulator: whatever stands
above sees a function from a stage to numbers, or steps (`taking`) to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from circuits.bench import (
    bias,
    crosstalk,
    distortion,
    mains,
    noise,
    small_signal,
    square,
    switching,
)
from circuits.bench.analysis import (
    Analysis,
    Bias,
    Inputs,
    Metered,
    Ohmmeter,
    Results,
    Shares,
    Shown,
    Through,
)
from circuits.bench.engine import Engine
from circuits.bench.loaded import draw, drawn_of, fed_as, loaded, unasked
from circuits.bench.ohms import across, through
from circuits.bench.plan import Experiment, Indexed, Plan, Request, Setup
from circuits.bench.steps import RunMany, Steps, abreast, alone, ask
from circuits.bench.supply import resolved
from circuits.circuit import Circuit
from circuits.errors import EngineError, InputError, Oscillates
from circuits.identity import ByIdentity
from circuits.in_state import in_state
from circuits.netlist import circuit, unpowered, with_ohmmeter
from circuits.quantities import QUANTITIES
from circuits.reading import Reading
from circuits.stage import Rail, Stage
from circuits.state import State

FAMILIES: tuple[ModuleType, ...] = (bias, small_signal, mains, square, noise, crosstalk)
"""Each module says which readings it `takes` and makes `requests`."""
DRIVEN: tuple[ModuleType, ...] = (distortion, switching)
"""Each module says which readings it `takes` and makes `experiments`."""


def plan(stage: Stage, readings: Sequence[Reading]) -> Plan:
    """Sort readings into requests.

    Raises
    ------
    InputError
        For a quantity that the virtual bench does not take.
    """
    asides = _asides(stage, readings)
    left = {i for i, reading in enumerate(readings) if not reading.state}
    requests: list[Request] = []
    experiments: list[Experiment] = []
    for family in (*FAMILIES, *DRIVEN):
        mine = [(i, readings[i]) for i in sorted(left) if family.takes(readings[i])]
        left -= {i for i, _ in mine}
        if family is noise:
            heard = [(i, r) for i, r in mine if not noise.at_rest(r)]
            mine = [(i, r) for i, r in mine if noise.at_rest(r)]
            experiments += noise.experiments(stage, heard)
        if mine and family in DRIVEN:
            experiments += family.experiments(stage, mine)
        elif mine:
            requests += family.requests(stage, mine)
    if left:
        name = readings[min(left)].quantity
        raise InputError(
            f"the simulator does not take {name!r}",
            expected="a reading that it takes",
            choices=[q.name for q in QUANTITIES.values() if q.simulated and q.name != name],
            given=name,
        )
    # instruments that are off disturb nothing, so all that is read at rest shares one circuit
    benches = dict.fromkeys(r.setup.bench for r in requests)
    groups = tuple(_shared([r for r in requests if r.setup.bench == b], b) for b in benches)
    return Plan(stage, tuple(readings), groups, tuple(experiments), asides)


def _shared(
    requests: Sequence[Request], bench: Setup
) -> tuple[Setup, tuple[Request, ...]]:
    """Requests on one bench, and that with all their instruments ready."""
    meters = next((r.setup.meters for r in requests if r.setup.meters), ())
    probes = tuple(dict.fromkeys(at for r in requests for at in r.setup.probes))
    pairs = tuple(dict.fromkeys(pair for r in requests for pair in r.setup.pairs))
    setup = replace(bench, meters=meters, probes=probes, pairs=pairs)
    return setup, tuple(replace(r, setup=setup) for r in requests)


def _asides(
    stage: Stage, readings: Sequence[Reading]
) -> tuple[tuple[State, tuple[int, ...], Plan], ...]:
    """Plans of the readings in other states than as drawn, a state each."""
    made = []
    for state in dict.fromkeys(reading.state for reading in readings if reading.state):
        places = tuple(i for i, reading in enumerate(readings) if reading.state == state)
        mine = [replace(readings[i], state=State()) for i in places]
        made.append((state, places, plan(in_state(stage, state), mine)))
    return tuple(made)


def take(
    stage: Stage, readings: Sequence[Reading] | Plan, beside: Stage | None = None
) -> NDArray[np.float64]:
    """Take readings of one stage in this process.

    Parameters
    ----------
    stage : Stage
        A rail with a supply behind it has the voltage and ripple that this gives; one that knows
        what a healthy unit takes (`fed`) follows what this one does.
    beside : Stage, optional
        The other channel of the unit, for readings of both; by default it is like this one.

    Returns
    -------
    (m,) array
        One value a reading, SI units or dB as the registry says.

    Raises
    ------
    InputError
        For a quantity that the virtual bench does not take, or a supply that does not give the
        voltage of its rail.
    NoSolution
        When the simulator finds no operating point.
    Oscillates
        When a reading under drive is wanted of a unit that swings by itself; what was read at
        rest goes with it.
    """
    return alone(taking(stage, readings, beside), _engine().run)


def take_many(
    stages: Sequence[Stage],
    planned: Plan,
    besides: Sequence[Stage | None],
    run_many: RunMany,
) -> list[NDArray[np.float64] | EngineError]:
    """Take the readings of a plan of many variants at the same turn.

    Parameters
    ----------
    stages : sequence of Stage
        (n,), as in `take`.
    besides : sequence of Stage or None
        (n,): the other channel of each.
    run_many : callable
        What answers all that is asked for at one turn.

    Returns
    -------
    list
        (n,): of each (m,) what `take` returns, or the error of the simulator that it raises.

    Raises
    ------
    InputError
        As `take`.
    """
    units = zip(stages, besides, strict=True)
    return abreast([taking(stage, planned, beside) for stage, beside in units], run_many)


def taking(
    stage: Stage, readings: Sequence[Reading] | Plan, beside: Stage | None = None
) -> Steps[NDArray[np.float64]]:
    """Steps to what `take` returns and raises."""
    planned = readings if isinstance(readings, Plan) else plan(stage, readings)
    values, swings = np.full(len(planned.readings), np.nan), ""
    several = isinstance(readings, Plan)
    if len(planned.readings) > sum(len(places) for _, places, _ in planned.states):
        try:
            values = yield from _taken(stage, planned, several, beside)
        except Oscillates as error:
            # what else was asked of it, or of it in other states, is worth having all the same
            values, swings = np.array(error.values), str(error)
    for state, places, mine in planned.states:
        try:
            here = in_state(stage, state, planned.stage)
            found = yield from _taken(here, mine, several, beside)
        except Oscillates as error:
            found, swings = np.array(error.values), str(error)
        values[list(places)] = found
    if swings:
        raise _swinging(values, swings)
    return values


def _swinging(values: NDArray[np.float64], text: str) -> Oscillates:
    error = Oscillates(text)
    error.values = tuple(values.tolist())
    return error


def _taken(
    stage: Stage, made: Plan, again: bool, beside: Stage | None
) -> Steps[NDArray[np.float64]]:
    """Readings of a stage as it stands; those in other states are left out.

    Parameters
    ----------
    again : bool
        Whether the plan is for more than this stage, so that what it looks up once pays.
    """
    asked = _known(made) if again else _asked(made)
    values = np.full(len(made.readings), np.nan)
    here, live = stage, _Live(stage)
    for (setup, requests), analyses in zip(made.groups, asked, strict=True):
        if setup.off:
            results = yield from _unpowered(stage, analyses)
        elif setup.pair:
            net = yield from crosstalk.both(here, beside or here, setup.pair)
            results = yield from ask(net, analyses)
        else:
            stage, results = yield from _powered(live, setup, analyses)
        start = 0
        for request in requests:
            stop = start + len(request.analyses)
            values[list(request.places)] = request.read(stage, results[start:stop])
            start = stop
    resting = _resting(made)
    more = noise.with_junctions(here, resting) if resting else []
    try:
        experiments = [*more, *made.experiments]
        if experiments:
            yield from _perform((yield from live.stage()), experiments, values)
    except Oscillates as error:
        error.values = tuple(values.tolist())
        raise
    return values


def _noise_at_rest(made: Plan) -> Indexed:
    return [(i, r) for i, r in enumerate(made.readings) if noise.at_rest(r) and not r.state]


_resting = ByIdentity(_noise_at_rest, 64)
"""The readings of a plan that are of noise without a signal."""


@dataclass
class _Live:
    """A stage with power on: its rails are worked out once, where a reading needs them."""

    drawn: Stage
    found: Stage | None = None

    def stage(self) -> Steps[Stage]:
        if self.found is None:
            self.found = yield from loaded(self.drawn)
        return self.found


def _powered(
    live: _Live, setup: Setup, analyses: tuple[Analysis, ...]
) -> Steps[tuple[Stage, Results]]:
    """The stage with power on, and what is asked of it.

    Most units draw about what a healthy one does, on whose rails they then stand. So what a unit
    draws is asked along with the readings, and these once more where its rails are others.
    """
    def net(stage: Stage) -> Circuit:
        return circuit(stage, setup.load, meters=setup.meters, probes=setup.probes,
                       pairs=setup.pairs)

    if live.found is None and not setup.load:
        here, sure = unasked(live.drawn)
        if not sure:
            try:
                *results, drawn = yield from ask(net(here), _drawing(analyses, here.rails))
            except EngineError:
                pass  # what it draws may be told without the readings
            else:
                live.found = yield from loaded(live.drawn, drawn_of(here.rails, drawn))
                if live.found.rails is here.rails:
                    return live.found, tuple(results)
    stage = yield from live.stage()
    return stage, (yield from ask(net(stage), analyses))


def _unpowered(stage: Stage, analyses: tuple[Analysis, ...]) -> Steps[Results]:
    """What an ohmmeter meets; pairs that nothing was found for with the others, one by one."""
    net = unpowered(stage)
    results = yield from ask(net, analyses)
    for wanted, found in zip(analyses, results, strict=True):
        assert isinstance(wanted, Ohmmeter)
        assert isinstance(found, Through)
        for k in np.flatnonzero(np.isnan(found.volts)):
            pair = wanted.pairs[k]
            one = with_ohmmeter(net, pair, wanted.volts, wanted.ohms)
            (alone,) = yield from ask(one, (across(pair),))
            assert isinstance(alone, Bias)
            found.volts[k], found.amps[k] = through(pair, alone)
    return results


def _drawing(analyses: tuple[Analysis, ...], rails: Sequence[Rail]) -> tuple[Analysis, ...]:
    """Analyses, and what the stage draws; all variants ask with the same tuple."""
    return _with(analyses, draw(rails))


_with = ByIdentity(lambda analyses, more: (*analyses, more), 64)


def _perform(
    stage: Stage, experiments: Sequence[Experiment], values: NDArray[np.float64]
) -> Steps[None]:
    """Fill in what needs experiments; under drive, once the unit is known to be quiet without."""
    still = [experiment for experiment in experiments if not experiment.swings]
    for experiment in still:
        values[list(experiment.places)] = yield from experiment.perform(stage)
    moving = [experiment for experiment in experiments if experiment.swings]
    for load in dict.fromkeys(experiment.load for experiment in moving):
        yield from switching.require_quiet(stage, load)
    for experiment in moving:
        values[list(experiment.places)] = yield from experiment.perform(stage)


def _asked(made: Plan) -> tuple[tuple[Analysis, ...], ...]:
    """What is asked of each setup of a plan."""
    return tuple(
        tuple(a for request in requests for a in request.analyses) for _, requests in made.groups
    )


@lru_cache(maxsize=64)
def _known(made: Plan) -> tuple[tuple[Analysis, ...], ...]:
    """The same, with what voltmeters and a.c. inputs meet in the stage that the plan was made for.

    All variants ask with these very tuples.
    """
    return tuple(
        _with_impedances(made.stage, setup, analyses)
        for (setup, _), analyses in zip(made.groups, _asked(made), strict=True)
    )


def _with_impedances(
    stage: Stage, setup: Setup, analyses: tuple[Analysis, ...]
) -> tuple[Analysis, ...]:
    places = [k for k, a in enumerate(analyses) if isinstance(a, Metered | Inputs)]
    if not places:
        return analyses
    net = circuit(resolved(stage), setup.load, meters=setup.meters, probes=setup.probes)
    told = list(analyses)
    answers = _engine().run(net, [analyses[k] for k in places])
    for k, found in zip(places, answers, strict=True):
        one = analyses[k]
        if isinstance(one, Metered):
            assert isinstance(found, Shown)
            told[k] = replace(one, impedances=found.impedances)
        elif isinstance(one, Inputs):
            assert isinstance(found, Shares)
            told[k] = replace(one, impedances=found.impedances)
    return tuple(told)


def fed(healthy: Stage, unit: Stage) -> Stage:
    """A unit whose rails know what the healthy one takes from them, so that they follow.

    Parameters
    ----------
    healthy : Stage
        As drawn.
    unit : Stage
        A variant of it.
    """
    return fed_as(healthy, unit)


@lru_cache(maxsize=1)
def _engine() -> Engine:
    """The one simulator instance that a process can have."""
    return Engine()

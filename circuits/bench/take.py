"""The virtual bench: take readings of a stage.

`plan` sorts readings into requests once; `take` runs them on one variant of the stage after
another. This is the seam to the simulator: whatever stands above sees a function from a stage to
numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.bench import bias, crosstalk, distortion, noise, small_signal, square, switching
from circuits.bench.analysis import Analysis, Inputs, Metered, Shares, Shown
from circuits.bench.engine import Engine
from circuits.bench.loaded import fed_as, loaded
from circuits.bench.plan import Experiment, Plan, Request, Run, Setup
from circuits.bench.supply import resolved
from circuits.errors import InputError, Oscillates
from circuits.in_state import in_state
from circuits.netlist import circuit, ohmmeter
from circuits.quantities import QUANTITIES
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.state import State

FAMILIES: tuple[ModuleType, ...] = (bias, small_signal, square, noise, crosstalk)
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
    planned = readings if isinstance(readings, Plan) else plan(stage, readings)
    values, swings = np.full(len(planned.readings), np.nan), ""
    several = isinstance(readings, Plan)
    if len(planned.readings) > sum(len(places) for _, places, _ in planned.states):
        try:
            values = _taken(stage, planned, several, beside)
        except Oscillates as error:
            # what else was asked of it, or of it in other states, is worth having all the same
            values, swings = np.array(error.values), str(error)
    for state, places, mine in planned.states:
        try:
            found = _taken(in_state(stage, state, planned.stage), mine, several, beside)
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
) -> NDArray[np.float64]:
    """Readings of a stage as it stands; those in other states are left out.

    Parameters
    ----------
    again : bool
        Whether the plan is for more than this stage, so that what it looks up once pays.
    """
    known = _impedances(made) if again else {}
    values = np.full(len(made.readings), np.nan)
    run = _engine().run
    here, live = stage, _Live(stage, run)
    for setup, requests in made.groups:
        if setup.between:
            red, black = setup.between
            net = ohmmeter(stage, (red, black))
        elif setup.pair:
            net = crosstalk.both(here, beside or here, setup.pair)
        else:
            stage = live.stage
            net = circuit(stage, setup.load, meters=setup.meters, probes=setup.probes,
                          pairs=setup.pairs)
        analyses = [
            replace(a, impedances=known.get(a)) if isinstance(a, Metered | Inputs) else a
            for request in requests for a in request.analyses
        ]
        results = run(net, analyses)
        start = 0
        for request in requests:
            stop = start + len(request.analyses)
            values[list(request.places)] = request.read(stage, results[start:stop])
            start = stop
    resting = [(i, r) for i, r in enumerate(made.readings)
               if noise.at_rest(r) and not r.state]
    more = noise.with_junctions(here, resting) if resting else []
    try:
        experiments = [*more, *made.experiments]
        if experiments:
            _perform(live.stage, experiments, values, run)
    except Oscillates as error:
        error.values = tuple(values.tolist())
        raise
    return values


@dataclass(frozen=True)
class _Live:
    """A stage with power on: its rails are worked out once, where a reading needs them."""

    drawn: Stage
    run: Run

    @cached_property
    def stage(self) -> Stage:
        return loaded(self.drawn, self.run)


def _perform(
    stage: Stage, experiments: Sequence[Experiment], values: NDArray[np.float64], run: Run
) -> None:
    """Fill in what needs experiments; under drive, once the unit is known to be quiet without."""
    still = [experiment for experiment in experiments if not experiment.swings]
    for experiment in still:
        values[list(experiment.places)] = experiment.perform(stage, run)
    moving = [experiment for experiment in experiments if experiment.swings]
    for load in dict.fromkeys(experiment.load for experiment in moving):
        switching.require_quiet(stage, run, load)
    for experiment in moving:
        values[list(experiment.places)] = experiment.perform(stage, run)


@lru_cache(maxsize=8)
def _impedances(made: Plan) -> Mapping[Analysis, Any]:
    """What voltmeters and a.c. inputs meet in the stage that a plan was made for, by analysis."""
    known: dict[Analysis, Any] = {}
    for setup, requests in made.groups:
        asked = [a for request in requests for a in request.analyses
                 if isinstance(a, Metered | Inputs)]
        if asked:
            net = circuit(resolved(made.stage), setup.load, meters=setup.meters,
                          probes=setup.probes)
            for analysis, found in zip(asked, _engine().run(net, asked), strict=True):
                assert isinstance(found, Shown | Shares)
                known[analysis] = found.impedances
    return known


def fed(healthy: Stage, unit: Stage) -> Stage:
    """A unit whose rails know what the healthy one takes from them, so that they follow.

    Parameters
    ----------
    healthy : Stage
        As drawn.
    unit : Stage
        A variant of it.
    """
    return fed_as(healthy, unit, _engine().run)


@lru_cache(maxsize=1)
def _engine() -> Engine:
    """The one simulator instance that a process can have."""
    return Engine()

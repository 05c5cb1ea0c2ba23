"""Small-signal readings: gain, response, RIAA, phase, impedances."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from circuits.bench import probed
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Complexes,
    Inputs,
    Loaded,
    Response,
    Shares,
    SmallSignal,
)
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.curves import riaa_db
from circuits.moving import GENERATOR
from circuits.netlist import PROBE
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import GROUND, Stage

DRIVEN = ("gain", "response", "riaa deviation", "phase", "input impedance")
OUTPUT = ("output impedance", "damping factor")
QUANTITIES = (*DRIVEN, *OUTPUT)

SILENCE = 1e-4
"""Gain below which nothing of the generator is left at the output of a real unit."""
_DEGREES = 180.0 / math.pi
"""Degrees in a radian."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """Requests by setup: driven at the input, driven at the output."""
    asked: list[Request] = []
    for load in dict.fromkeys(r.load for _, r in readings if r.quantity != "damping factor"):
        setup = Setup(load=load)
        driven = [(i, r) for i, r in readings if r.quantity in DRIVEN and r.load == load]
        if driven:
            ready = replace(setup, probes=probed.all_ready(stage, driven))
            asked.append(_driven(stage, ready, driven))
    output = [(i, r) for i, r in readings if r.quantity in OUTPUT]
    if output:
        asked.append(_output(stage, output))
    return asked


def level(gain: complex) -> float:
    """A gain in dB, with what is left when no signal passes as its floor."""
    return 20.0 * math.log10(math.hypot(abs(gain), SILENCE))


@lru_cache(maxsize=1024)
def _replayed(frequency: float) -> float:
    return float(riaa_db(frequency))


def _ports(stage: Stage) -> tuple[str, ...]:
    return (node(stage.output), node(stage.input), node(stage.input_return))


def _ends(stage: Stage, reading: Reading) -> list[tuple[str, tuple[Loaded, ...]]]:
    """The points that a reading is taken at and from, each with the inputs that are on then.

    A level is read at one point after the other, a phase at both at once.
    """
    ends = [reading.at, *([reading.origin] if reading.origin else ())]
    both = ends if reading.quantity == "phase" and reading.origin else ()
    return [(end, probed.inputs(stage, reading, *(both or (end,)))) for end in ends]


def _wanted(reading: Reading) -> tuple[float, ...]:
    if reading.quantity == "response":
        return (reading.frequency, reading.reference)
    if reading.quantity == "riaa deviation":
        return (reading.frequency, 1000.0)
    return (reading.frequency,)


_On = tuple[Loaded, ...]
_End = tuple[str, _On]
"""A point of a reading, with the inputs that are on while it is read."""
_Place = tuple[int, int, int]
"""Which of the results, and where in its table: frequency and node."""


@dataclass(frozen=True)
class _Sweeps:
    """What is asked of the simulator for driven readings.

    Attributes
    ----------
    sweeps : mapping
        By the inputs that are on: none, or those of a phase between two points.
    each : Inputs or None
        All inputs whose own node alone is read while they are on.
    """

    sweeps: Mapping[_On, SmallSignal]
    each: Inputs | None

    @property
    def analyses(self) -> tuple[Analysis, ...]:
        return (*self.sweeps.values(), *([self.each] if self.each is not None else []))

    def place(self, stage: Stage, end: _End, frequency: float) -> _Place:
        """Where the response at a point is in the results of the analyses."""
        name, on = end
        if _alone(stage, end):
            assert self.each is not None
            k = self.each.frequencies.index(frequency)
            return len(self.sweeps), k, self.each.inputs.index(on[0])
        sweep = self.sweeps[on]
        k = sweep.frequencies.index(frequency)
        return list(self.sweeps).index(on), k, sweep.nodes.index(node(name or stage.output))


class _Looks:
    """Which responses some readings take, found out once for all variants.

    Parameters
    ----------
    stage : Stage
        Variants have its ports.
    """

    def __init__(self, stage: Stage, sweeps: _Sweeps) -> None:
        self._stage = stage
        self._sweeps = sweeps
        self._places: dict[_Place, int] = {}

    def at(self, end: _End, frequency: float) -> int:
        """Where the response at a point will stand among those of `found`."""
        place = self._sweeps.place(self._stage, end, frequency)
        return self._places.setdefault(place, len(self._places))

    def found(self, results: Sequence[Answer]) -> Complexes:
        """All responses, (n,)."""
        tables = [_table(result) for result in results]
        return np.array([tables[r][k, n] for r, k, n in self._places], complex)


def _table(result: Answer) -> Complexes:
    if isinstance(result, Shares):
        return result.volts
    assert isinstance(result, Response)
    return result.nodes


def _sweeps(stage: Stage, readings: Indexed) -> _Sweeps:
    asked: dict[_On, tuple[set[float], dict[str, None]]] = {}
    alone: dict[Loaded, None] = {}
    grid: set[float] = set()
    for _, r in readings:
        for end, on in _ends(stage, r):
            if _alone(stage, (end, on)):
                alone[on[0]] = None
                grid.update(_wanted(r))
                continue
            frequencies, nodes = asked.setdefault(on, (set(), dict.fromkeys(_ports(stage))))
            frequencies.update(_wanted(r))
            nodes[node(end or stage.output)] = None
    sweeps = {
        on: SmallSignal(GENERATOR, tuple(sorted(frequencies)),
                        tuple(n for n in nodes if n != GROUND), (GENERATOR,), on)
        for on, (frequencies, nodes) in asked.items()
    }
    each = Inputs(GENERATOR, tuple(sorted(grid)), tuple(alone)) if alone else None
    return _Sweeps(sweeps, each)


def _alone(stage: Stage, end: tuple[str, _On]) -> bool:
    """Whether a point is read with the input there on and no other."""
    name, on = end
    return len(on) == 1 and on[0].at == node(name or stage.output)


_Read = Callable[[Sequence[float], Complexes, Sequence[Answer]], float]
"""Levels, responses (n,) and results → the value of one reading."""


def _driven(stage: Stage, setup: Setup, readings: Indexed) -> Request:
    sweeps = _sweeps(stage, readings)
    looks = _Looks(stage, sweeps)
    reads = [_reader(stage, r, sweeps, looks) for _, r in readings]

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        found = looks.found(results)
        levels: list[float] = (20.0 * np.log10(np.hypot(np.abs(found), SILENCE))).tolist()
        return [one(levels, found, results) for one in reads]

    return Request(setup, sweeps.analyses, tuple(i for i, _ in readings), read)


def _reader(stage: Stage, r: Reading, sweeps: _Sweeps, looks: _Looks) -> _Read:
    """How one reading is taken of the results."""
    points = _ends(stage, r)
    if r.quantity == "phase":
        return _phase([looks.at(end, r.frequency) for end in points])
    if r.quantity == "input impedance":
        return _impedance(stage, r, sweeps, looks)
    # level from one point to the other, dB; from the generator where none is stated
    there, *before = (looks.at(end, r.frequency) for end in points)
    references = {"response": r.reference, "riaa deviation": 1000.0}
    if r.quantity in references:
        above, *below = (looks.at(end, references[r.quantity]) for end in points)
    else:
        above, below = -1, []
    usual = _replayed(r.frequency) if r.quantity == "riaa deviation" else 0.0

    def one(levels: Sequence[float], found: Complexes, results: Sequence[Answer]) -> float:
        value = levels[there] - sum(levels[k] for k in before)
        if above >= 0:
            value -= levels[above] - sum(levels[k] for k in below)
        return value - usual

    return one


def _phase(places: Sequence[int]) -> _Read:
    """Of the first point, against the second where there is one; degrees."""
    here, *before = places

    def one(levels: Sequence[float], found: Complexes, results: Sequence[Answer]) -> float:
        turned = complex(found[here])
        for other in before:
            turned *= complex(found[other]).conjugate()
        return cmath.phase(turned) * _DEGREES

    return one


def _impedance(stage: Stage, r: Reading, sweeps: _Sweeps, looks: _Looks) -> _Read:
    """Between the ends of the input."""
    across = looks.at((stage.input, ()), r.frequency)
    back = stage.input_return
    below = looks.at((back, ()), r.frequency) if back != GROUND else -1
    bare = list(sweeps.sweeps).index(())
    k = sweeps.sweeps[()].frequencies.index(r.frequency)

    def one(levels: Sequence[float], found: Complexes, results: Sequence[Answer]) -> float:
        alone = results[bare]
        assert isinstance(alone, Response)
        volts = found[across] - (found[below] if below >= 0 else 0.0)
        return min(max(float(abs(volts / alone.branches[k, 0])), 1e-3), 1e12)

    return one


def _output(stage: Stage, readings: Indexed) -> Request:
    frequencies = tuple(sorted({r.frequency for _, r in readings}))
    ends = [node(end) for end in (stage.output, stage.load_return) if end != GROUND]
    analysis = SmallSignal(PROBE, frequencies, tuple(ends), ())

    places = [frequencies.index(r.frequency) for _, r in readings]

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Response)
        volts = result.nodes[:, 0] - result.nodes[:, 1:].sum(axis=1)
        # the stage's own load stays on (it may set the bias) and what it takes is no matter
        taken = volts / stage.load if stage.load else 0.0
        bare = np.clip(np.abs(result.nodes[:, 0] / (1.0 - taken)), 1e-6, 1e9).tolist()
        return [
            bare[k] if r.quantity == "output impedance"
            else (r.load or stage.load or math.inf) / bare[k]
            for k, (_, r) in zip(places, readings, strict=True)
        ]

    return Request(Setup(), (analysis,), tuple(i for i, _ in readings), read)

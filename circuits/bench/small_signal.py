"""Small-signal readings: gain, response, RIAA, phase, impedances, hum and ripple lines."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from circuits import one_phase
from circuits.behind_rails import PAIR_OHMS, pair_resistor, rail_ohms, rail_resistor
from circuits.bench import probed
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Complexes,
    Floats,
    Inputs,
    Loaded,
    NoiseDensity,
    NoiseSpectrum,
    Response,
    Shares,
    SmallSignal,
)
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.bench.swing import bound
from circuits.curves import riaa_db
from circuits.feed import charging
from circuits.identity import ByIdentity
from circuits.joints import JOINT_OHMS, joint_resistor
from circuits.macromodels import BOLTZMANN, KELVIN
from circuits.moving import GENERATOR
from circuits.netlist import PROBE, SOURCE, STRAY_OHMS, source_ohms, stray_resistor
from circuits.reading import Reading
from circuits.ready import Ready
from circuits.spelling import node
from circuits.stage import GROUND, Lines, Stage

DRIVEN = ("gain", "response", "riaa deviation", "phase", "input impedance")
OUTPUT = ("output impedance", "damping factor")
MAINS = ("hum", "ripple")
QUANTITIES = (*DRIVEN, *OUTPUT, *MAINS)

SILENCE = 1e-4
"""Gain below which nothing of the generator is left at the output of a real unit."""
HUM_FLOOR = 1e-7
"""V RMS that an analyser shows at a hum line with nothing connected."""
_NOTHING = 1e-15
"""V RMS that stand for none, of a way by which nothing comes."""
_DEGREES = 180.0 / math.pi
"""Degrees in a radian."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """Requests by setup: driven at the input, at the output, hum from each of its ways in."""
    asked: list[Request] = []
    for load in dict.fromkeys(r.load for _, r in readings if r.quantity != "damping factor"):
        setup = Setup(load=load)
        driven = [(i, r) for i, r in readings if r.quantity in DRIVEN and r.load == load]
        if driven:
            asked.append(_driven(stage, replace(setup, probes=_ready(stage, driven)), driven))
    output = [(i, r) for i, r in readings if r.quantity in OUTPUT]
    if output:
        asked.append(_output(stage, output))
    mains = [(i, r) for i, r in readings if r.quantity in MAINS]
    if mains:
        asked.append(_mains(stage, mains))
    return asked


def level(gain: complex) -> float:
    """A gain in dB, with what is left when no signal passes as its floor."""
    return 20.0 * math.log10(math.hypot(abs(gain), SILENCE))


@lru_cache(maxsize=1024)
def _replayed(frequency: float) -> float:
    return float(riaa_db(frequency))


def _ports(stage: Stage) -> tuple[str, ...]:
    return (node(stage.output), node(stage.input), node(stage.input_return))


def _ready(stage: Stage, readings: Indexed) -> tuple[Ready, ...]:
    """A.c. inputs that lie ready for some readings."""
    return tuple(dict.fromkeys(at for _, r in readings for at in probed.ready(stage, r)))


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


def _line(lines: Lines, frequency: float) -> float:
    return math.sqrt(sum(a**2 for f, a in lines if math.isclose(f, frequency, rel_tol=1e-3)))


def _told(
    lines: Lines, frequencies: tuple[float, ...], ohms: float, worth: float
) -> Floats:
    """Lines that come in by a resistor, over its own noise, (f,): √Hz."""
    own = math.sqrt(4.0 * BOLTZMANN * KELVIN * ohms)
    return np.array([_line(lines, f) for f in frequencies]) * worth / own


_arriving = ByIdentity(_told)
"""The same, kept: variants share most of their lines."""


def _ways(stage: Stage) -> list[tuple[str, float, float, Lines]]:
    """Every way that mains comes in: a resistor, its ohms, what one unit means there, the lines.

    An e.m.f. in series with a resistor of R ohm is the same as a current of e.m.f. / R beside it.
    """
    ohms = source_ohms(stage)
    ways = [(SOURCE, ohms, 1.0, stage.pickup)]
    ways += [(rail_resistor(r.name), rail_ohms(r), 1.0, r.ripple)
             for r in stage.rails if not r.limit]  # a bench supply has neither
    ways += [(stray_resistor(at), STRAY_OHMS, STRAY_OHMS, lines) for at, lines in stage.stray]
    ways += [(stray_resistor(at), STRAY_OHMS, STRAY_OHMS, _charging(stage)) for at in stage.charged]
    joints = () if stage.chain is None else stage.chain.joints
    return ways + [(joint_resistor(j), JOINT_OHMS, 1.0, j.pickup) for j in joints]


def _charging(stage: Stage) -> Lines:
    """Of the rail with the largest: two rails of a pair have their pulses at the same times."""
    found = [charging(rail, stage.mains) for rail in stage.rails if rail.volts]
    return max(found, key=lambda lines: lines[0][1], default=())


def _mains(stage: Stage, readings: Indexed) -> Request:
    """Hum at the output or another point: every way in, added as powers (phases are not known).

    How each way in arrives is told by the thermal noise of a resistor there, √(4kTR), since one
    run of noise tells it of all of them. Rails of one phase are one way: how they arrive together
    tells how much of one adds to the other. No line is larger than the rails allow (`swing`).
    """
    frequencies = tuple(sorted({r.frequency for _, r in readings}))
    points = list(dict.fromkeys(_heard(stage, r) for _, r in readings))
    nodes = tuple(name for name, _ in points)
    places = [points.index(_heard(stage, r)) for _, r in readings]
    pairs = one_phase.pairs(stage)
    resistors = (*(name for name, *_ in _ways(stage)), *(pair_resistor(pair) for pair in pairs))
    relative = any(r.level is not None and r.level[0] == "input level" for _, r in readings)
    analyses: list[Analysis] = [
        NoiseSpectrum(name, GENERATOR, frequencies, resistors, probes=on) for name, on in points
    ]
    if relative:
        analyses.append(SmallSignal(GENERATOR, (1000.0,), nodes, ()))

    lines_at = [frequencies.index(r.frequency) for _, r in readings]
    ranks = any(r.way for _, r in readings)
    limits = bound(stage, [next(r.at for _, r in readings if _heard(stage, r) == point)
                           for point in points])

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        ways = _ways(stage)
        worth = np.array([_arriving(lines, frequencies, ohms, one) for _, ohms, one, lines in ways])
        shares = np.array([_shares(result) for result in results[: len(points)]]).transpose(1, 2, 0)
        each = (worth[:, :, None] * shares[:, : len(ways)].swapaxes(0, 1)) ** 2
        if pairs:
            _as_one(stage, frequencies, pairs, shares, each)
        powers: list[list[float]] = (HUM_FLOOR**2 + each.sum(axis=0)).tolist()
        ranked = np.sort(each, axis=0)[::-1] if ranks else each
        largest = limits.lines(stage)

        def one(r: Reading, k: int, point: int) -> float:
            power = whole = powers[k][point]
            if r.way:
                power = ranked[r.way - 1, k, point] if r.way <= len(ranked) else 0.0
            # a line that clips leaves its parts as they were to each other
            clipped = min(1.0, largest[point] / math.sqrt(whole))
            volts = max(math.sqrt(power) * clipped, _NOTHING)
            if r.level is None:
                return volts
            return 20.0 * math.log10(volts / _signal(stage, r.level, results[-1], point))

        return [one(r, k, point)
                for (_, r), k, point in zip(readings, lines_at, places, strict=True)]

    setup = Setup(probes=_ready(stage, readings), pairs=pairs)
    return Request(setup, tuple(analyses), tuple(i for i, _ in readings), read)


def _shares(result: Answer) -> Floats:
    assert isinstance(result, NoiseDensity)
    return result.shares


def _as_one(
    stage: Stage, frequencies: Sequence[float], pairs: Sequence[tuple[str, str]],
    shares: Floats, each: Floats,
) -> None:
    """Add up the powers of rails of one phase, with what they have in common, in the first's place.

    Of two ways with responses G and H, |G + H|² - |G|² - |H|² is 2·Re(G·H*).

    Parameters
    ----------
    shares : (f, n, p) array
        Of the noise at p points: of every way, then of every pair, V/√Hz.
    each : (ways, f, p) array
        Powers, V²; changed in place.
    """
    places = {name: k for k, (name, *_) in enumerate(_ways(stage))}
    rails = {rail.name: rail for rail in stage.rails}
    common = np.zeros_like(each)
    first: dict[str, str] = {}
    for n, pair in enumerate(pairs):
        one, other = (rails[name] for name in pair)
        columns = [places[rail_resistor(name)] for name in pair]
        own = [4.0 * BOLTZMANN * KELVIN * rail_ohms(rail) for rail in (one, other)]
        together = shares[:, len(places) + n] ** 2 / (4.0 * BOLTZMANN * KELVIN * PAIR_OHMS)
        alone = [shares[:, k] ** 2 / power for k, power in zip(columns, own, strict=True)]
        both = np.array([
            one_phase.sign(one.volts, other.volts, round(f / stage.mains))
            * _line(one.ripple, f) * _line(other.ripple, f) for f in frequencies
        ])
        first[pair[1]] = first.get(pair[0], pair[0])
        common[places[rail_resistor(first[pair[1]])]] += both[:, None] * (together - sum(alone))
    each += common
    for name, begins in first.items():
        each[places[rail_resistor(begins)]] += each[places[rail_resistor(name)]]
        each[places[rail_resistor(name)]] = 0.0
    np.maximum(each, 0.0, out=each)


def _heard(stage: Stage, reading: Reading) -> tuple[str, tuple[Loaded, ...]]:
    """Where hum is read, and the input that is on there."""
    return node(reading.at or stage.output), probed.inputs(stage, reading, reading.at)


def _signal(
    stage: Stage, given: tuple[str, float], reference: Answer, point: int
) -> float:
    """Voltage at a point that a level condition stands for, V RMS."""
    how, value = given
    if how == "output level":
        return value
    if how == "power":
        return math.sqrt(value * stage.load)
    assert isinstance(reference, Response)
    return value * math.hypot(abs(reference.nodes[0, point]), SILENCE)

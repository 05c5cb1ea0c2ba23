"""Lines of the mains: hum at the output or another point, ripple of a rail."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from circuits import one_phase
from circuits.behind_rails import PAIR_OHMS, pair_resistor, rail_ohms, rail_resistor
from circuits.bench import probed
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Floats,
    Loaded,
    NoiseDensity,
    NoiseSpectrum,
    Response,
    SmallSignal,
)
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.swing import bound
from circuits.feed import charging
from circuits.identity import ByIdentity
from circuits.joints import JOINT_OHMS, joint_resistor
from circuits.macromodels import BOLTZMANN, KELVIN
from circuits.moving import GENERATOR
from circuits.netlist import SOURCE, STRAY_OHMS, source_ohms, stray_resistor
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import Lines, Stage

QUANTITIES = ("hum", "ripple")

HUM_FLOOR = 1e-7
"""V RMS that an analyser shows at a hum line with nothing connected."""
_NOTHING = 1e-15
"""V RMS that stand for none, of a way by which nothing comes."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """One for all lines, whatever way they come in by."""
    return [_request(stage, readings)]


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


def _request(stage: Stage, readings: Indexed) -> Request:
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

    setup = Setup(probes=probed.all_ready(stage, readings), pairs=pairs)
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

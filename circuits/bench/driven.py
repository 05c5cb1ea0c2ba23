"""One transient run of a stage under drive, and what an analyser makes of it.

The recipe was found by measuring: Gear's method at a fixed fine step with tolerances so tight that
their own distortion lies below −110 dB; a cosine that starts from rest, because at its crest the
coupling capacitors carry the very charge that rest left them; two periods to settle and two to
record. A large `trtol` switches off the control of the step, and with it every warning of an
oscillation, which therefore has to be looked for first (`circuits.bench.switching.probe`).

What settles slowly is the supply: a reservoir behind its winding takes many periods to sag to
where the drive takes it. How fast the mean current of a rail moves from one period to the next,
and the time constant of what hangs on it, tell where it is going; the next run starts there, on
rails that the supply gives at those currents.

Who finds the periodic steady state itself (`Cycle`) is exact where a run only settles: rails have
sagged all the way, and couplings that a distortion charges slowly are charged. A run comes there
after hundreds of periods (measured: 300 bring harmonics to within 0.1 dB). Of many tones a run has
one period to settle, and what looks like a drift is taken away: of phono stages, which lift the
lowest products most, that leaves out 1.2 to 1.5 dB, and 60 periods without come to within 0.001 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from circuits.behind_rails import rail_source
from circuits.bench.analysis import Cycle, Floats, Periodic, Transient, Waves
from circuits.bench.loaded import following
from circuits.bench.loaded import swing as swing
from circuits.bench.steps import Steps, ask
from circuits.kinds import kind
from circuits.moving import GENERATOR, STILL, cosines
from circuits.netlist import circuit
from circuits.signals import manytone, waveform
from circuits.spelling import node
from circuits.stage import Part, Rail, Stage

OPTIONS = ("reltol=1e-6", "vntol=1e-9", "abstol=1e-13", "method=gear", "trtol=1e6")

_PERIODS = 2
"""To settle, and to record, with a single tone."""
_STEPS = 128
"""Time steps a period of a tone below `_FAST`, at most as long as that."""
_FAST = 10e3
"""Hz; from here on twice as many steps a period."""
_STEPS_OF_MANY = 10
"""A period of the highest of many tones: what lies between them comes out within 0.5 dB of what
five times as many steps give, output stages with feedback included, of a push-pull valve stage
within 0.9 dB (measured)."""
_DIGITS = 6
"""Of a frequency in Hz, by which lines are told apart."""
_SAG = 2e-3
"""A rail that starts nearer than this to where it settles, relative to its volts, has settled."""
_SUPPLY = 0.01
"""The same of a supply that gives less or more than was expected: 0.1 dB of what clips."""
_MODEST_SAG = 0.05
"""Of a rail's volts: what `_SAG` may be where the swing is modest."""
_MODEST_SWING = 0.7
"""A swing of no more than this part of what the rails allow is modest: `_MODEST_SAG` moves its
distortion by 0.2 dB."""


@dataclass(frozen=True)
class Tones:
    """What the generator gives: crest · Σ share · cos(2πft).

    Attributes
    ----------
    frequencies : tuple of float
        Hz.
    shares : tuple of float
        Of the crest of a sine as loud. Of one or two tones they add up to 1; of many, whose
        power counts, the sum of their squares is 1.
    period : float
        s, over which means are taken; the run settles and records whole ones.
    settle, record : int
        Periods.
    step : float
        s, the longest that the run may take.
    lines : tuple of float
        Hz, what is looked for in the output.
    drift : int
        Degree of the polynomial beside the lines.
    comb : manytone.Comb or None
        What many tones are made of.
    """

    frequencies: tuple[float, ...]
    shares: tuple[float, ...]
    period: float
    settle: int
    record: int
    step: float
    lines: tuple[float, ...]
    drift: int = waveform.DRIFT
    comb: manytone.Comb | None = None

    def crests(self, crest: float) -> tuple[float, ...]:
        """V peak of each tone."""
        return tuple(crest * share for share in self.shares)

    def text(self, crest: float) -> str:
        """The e.m.f. as an expression of time."""
        return cosines(self.crests(crest), self.frequencies)


def tone(frequency: float) -> Tones:
    """A single tone, whose harmonics are looked for."""
    period = 1.0 / frequency
    steps = _STEPS if frequency < _FAST else 2 * _STEPS
    harmonics = tuple(frequency * k for k in range(1, waveform.HARMONICS + 1))
    return Tones((frequency,), (1.0,), period, _PERIODS, _PERIODS, period / steps, harmonics)


def two_tones(low: float, high: float, ratio: float) -> Tones:
    """Two tones, whose products are looked for.

    Parameters
    ----------
    low, high : float
        Hz. Where they are neighbours, the period is that of their difference; else of the low one.
    ratio : float
        Size of the low one over that of the high one.
    """
    slow = high - low if neighbours(low, high) else low
    share = ratio / (1.0 + ratio)
    products = tuple(waveform.products(low, high))
    # a slow modulation makes long runs, and its lines bear a coarse step: all near each other
    # become smaller alike
    steps = _STEPS if high >= _FAST else _STEPS / 4
    step = 1.0 / (high * steps)
    return Tones((low, high), (share, 1.0 - share), 1.0 / slow, 1, 1, step, products)


def many_tones(band: tuple[float, float]) -> Tones:
    """Some thirty tones over a band, Hz; what lies between them is looked for.

    Of products higher than five times the band, those next to a multiple of the rate of the steps
    would fall back into it: such orders are small where a reading means anything.
    """
    comb = manytone.comb(band)
    share = 1.0 / math.sqrt(len(comb.orders))
    step = 1.0 / (comb.frequencies[-1] * _STEPS_OF_MANY)
    return Tones(comb.frequencies, tuple(share * sign for sign in comb.signs), 1.0 / comb.base,
                 1, 1, step, comb.frequencies, manytone.DRIFT, comb)


def neighbours(low: float, high: float) -> bool:
    """Whether two tones make a difference tone rather than a modulation."""
    return high < 2.0 * low


@dataclass(frozen=True, eq=False)
class Driven:
    """What was read under drive.

    Attributes
    ----------
    crest : float
        E.m.f. of the generator, V peak.
    spectrum : waveform.Spectrum
        Of the output node.
    peak : float
        How far the output swings, half of it, V.
    currents : tuple of float
        Mean of the absolute current of each rail, A, once it has settled.
    start : tuple of (str, float)
        Volts of each rail's source at which a run starts settled.
    settled : bool
        Whether this run did.
    stage : Stage
        With rails as their supplies give them at these currents.
    time, output : (t,) arrays
        s and V: the periods that were recorded. Of a steady state one period, or of two tones
        moments that are spread over all their phases.
    cycle : Cycle or None
        The steady state, where it was found as that.
    """

    crest: float
    spectrum: waveform.Spectrum
    peak: float
    currents: tuple[float, ...]
    start: tuple[tuple[str, float], ...]
    settled: bool
    stage: Stage
    time: Floats
    output: Floats
    cycle: Cycle | None = None


def drive(
    stage: Stage,
    tones: Tones,
    crest: float,
    load: float = 0.0,
    start: tuple[tuple[str, float], ...] = (),
    near: Cycle | None = None,
) -> Steps[Driven]:
    """Drive a stage and analyse its output.

    Parameters
    ----------
    crest : float
        E.m.f., V peak.
    load : float
        Ohm in place of the stage's own; 0 keeps that.
    start : tuple of (str, float)
        Volts of the rails' sources at rest, from an earlier run.
    near : Cycle, optional
        The steady state under nearly the same drive.

    Raises
    ------
    NoSolution
    """
    branches = tuple(rail_source(rail.name) for rail in stage.rails)
    periods = tones.settle + tones.record
    run = Transient(
        (node(stage.output),), periods * tones.period, tones.step, 0.0, OPTIONS, branches
    )
    base = tones.comb.base if tones.comb is not None else 0.0
    wanted = Periodic(GENERATOR, tones.frequencies, tones.crests(crest), run, start, near, base)
    (answer,) = yield from ask(circuit(stage, load, STILL), (wanted,))
    if isinstance(answer, Cycle):
        return _steady(stage, tones, crest, start, answer)
    assert isinstance(answer, Waves)
    return _run(stage, tones, crest, start, answer)


@dataclass(frozen=True)
class _Flow:
    """The current of a rail, A: at rest, where its mean is going, and what flows back."""

    resting: float
    mean: float
    reverse: float


def _run(
    stage: Stage, tones: Tones, crest: float, start: tuple[tuple[str, float], ...], waves: Waves
) -> Driven:
    """What a transient run tells."""
    time, output = waves.time, waves.nodes[:, 0]
    kept = time >= tones.settle * tones.period * (1.0 - 1e-9)
    edges = tones.period * np.arange(tones.settle + tones.record + 1, dtype=np.float64)
    flows = []
    for rail, flow in zip(stage.rails, -waves.branches.T, strict=True):
        means = _means(time, flow, edges)
        bound = _bound_for(means, tones.period / max(_time_constant(stage, rail), 1e-12))
        reverse = _means(time, np.abs(flow), edges)[-1] - abs(means[-1])
        flows.append(_Flow(float(flow[0]), bound, float(reverse)))
    time, output = time[kept], output[kept]
    spectrum = waveform.lines(time, output, tones.lines, tones.drift)
    return _driven(stage, crest, start, flows, spectrum, (time, output), False)


def _steady(
    stage: Stage, tones: Tones, crest: float, start: tuple[tuple[str, float], ...], cycle: Cycle
) -> Driven:
    """What a steady state tells: its rails are where they settle."""
    flows = []
    for flow, resting in zip(-cycle.branches.T, -cycle.resting, strict=True):
        mean = float(flow.mean())
        flows.append(_Flow(float(resting), mean, float(np.abs(flow).mean()) - abs(mean)))
    output = cycle.nodes[:, 0]
    sizes = np.zeros(len(tones.lines), complex)
    place = {hertz: k for k, hertz in enumerate(np.round(tones.lines, _DIGITS).tolist())}
    near = np.round(np.abs(cycle.frequencies), _DIGITS)
    for j in np.flatnonzero(np.isin(near, list(place))):
        line, k = cycle.lines[j, 0], place[float(near[j])]
        sizes[k] += line if cycle.frequencies[j] > 0.0 else line.conjugate()
    rest = output - output.mean()
    left = max(float(rest @ rest) / len(rest) - float((np.abs(sizes) ** 2).sum()) / 2.0, 0.0)
    spectrum = waveform.Spectrum(
        np.array(tones.lines), sizes, float(cycle.lines[0, 0].real), math.sqrt(left)
    )
    time = tones.period * np.arange(len(output)) / len(output)
    found = _driven(stage, crest, start, flows, spectrum, (time, output), True)
    return replace(found, cycle=cycle)


def _driven(
    stage: Stage, crest: float, start: tuple[tuple[str, float], ...], flows: Sequence[_Flow],
    spectrum: waveform.Spectrum, wave: tuple[Floats, Floats], steady: bool,
) -> Driven:
    """What was read, and whether the supply gives what the unit was fed with.

    Parameters
    ----------
    steady : bool
        Whether the rails are where they settle.
    """
    peak = float(np.ptp(wave[1])) / 2.0
    allowed = _MODEST_SAG if peak <= _MODEST_SWING * swing(stage) else _SAG
    sagged = following(stage, [
        max(math.copysign(flow.mean, flow.mean * rail.volts), 0.0)
        for flow, rail in zip(flows, stage.rails, strict=True)
    ])
    currents, begun, settled = [], [], True
    for flow, rail, follows in zip(flows, stage.rails, sagged, strict=True):
        if abs(follows.volts - rail.volts) > max(allowed, _SUPPLY) * abs(rail.volts):
            settled = False
        before = dict(start).get(rail.name, rail.volts)
        # at rest the source must stand as much lower as the further current takes from it
        after = rail.volts - (flow.mean - flow.resting) * rail.resistance
        if abs(after - before) > allowed * abs(rail.volts):
            settled, before = settled and steady, after
        if before != rail.volts:
            begun.append((rail.name, before + follows.volts - rail.volts))
        currents.append(abs(flow.mean) + flow.reverse)
    return Driven(
        crest, spectrum, peak, tuple(currents), tuple(begun), settled,
        replace(stage, rails=sagged), *wave,
    )


def _time_constant(stage: Stage, rail: Rail) -> float:
    """Of the capacitors that hang on a rail, behind its resistance, s."""
    hanging = sum(
        part.value
        for part in stage.parts
        if part.value and rail.name in part.nodes and _capacitor(part)
    )
    return rail.resistance * hanging


def _capacitor(part: Part) -> bool:
    return part.kind != "defect" and kind(part.kind).family == "capacitor"


def _means(time: Floats, values: Floats, edges: Floats) -> Floats:
    """Mean of the values between one edge and the next."""
    area = np.zeros_like(values)
    area[1:] = np.cumsum((values[1:] + values[:-1]) / 2.0 * np.diff(time))
    return np.asarray(np.diff(np.interp(edges, time, area)) / np.diff(edges))


def _bound_for(means: Sequence[float] | Floats, step: float) -> float:
    """Where a mean is going that settles exponentially, `step` of its time constants a period."""
    left = math.exp(-step)
    return float((means[-1] - left * means[-2]) / (1.0 - left))

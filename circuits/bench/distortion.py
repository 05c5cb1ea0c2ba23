"""Readings under drive: distortion, intermodulation, greatest output, and current of the rails.

Where a level is stated at the output the drive is adjusted until it is there, as a technician does:
the small-signal gain gives the first guess, then a secant on logarithmic scales. The level is that
of an a.c. meter, fundamental and harmonics together. Two tones are as loud as the sine of the same
crest (IEC 60268-3, from memory); of many tones a stated level is that of their power together.
Where none is stated they are driven to the crest of the usual sine: their own is 7 dB higher, and
most output stages would clip.

A stage that cannot reach the level is driven as far as half again what its small-signal gain asks
for, or as a bench generator goes, and reads what it then does: a continuous worsening, not a gap.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from circuits.bench import driven, residual
from circuits.bench.analysis import Response, SmallSignal
from circuits.bench.driven import Driven, Tones
from circuits.bench.loaded import following
from circuits.bench.mains import HUM_FLOOR
from circuits.bench.plan import Experiment, Indexed, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.steps import Steps, ask
from circuits.moving import GENERATOR
from circuits.netlist import circuit
from circuits.quantities import HEARS_NOISE
from circuits.reading import Reading
from circuits.signals import manytone, waveform
from circuits.spelling import node
from circuits.stage import Stage

QUANTITIES = (
    "thd", "harmonic", "thd+n", "imd", "many-tone floor", "maximum output", "supply current",
)

RESIDUE = 1e-6
"""Distortion of a good analyser and its generator, as a ratio: −120 dB (judgement)."""
MOST_DRIVE = 30.0
"""V RMS; no bench generator goes further (judgement)."""
TONE = 1000.0
"""Hz, where a reading states no frequency."""
_BEYOND = 1.5
"""Drive beyond what the small-signal gain asks for, at most."""
_NEAR = 5e-3
"""How near to the level a technician sets it."""
_RUNS = 12
"""Transient runs that a search for one drive may take, by secants (judgement)."""
_SETTLING = 4
"""Transient runs, each started where the last one left the rails, until these have settled."""
_CREST = math.sqrt(2.0)
"""Peak over RMS of a sine."""
_FLOOR = HUM_FLOOR * _CREST


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family; a supply current at rest is not."""
    return reading.quantity in QUANTITIES and reading.driven


@dataclass(frozen=True)
class Condition:
    """What readings that share one run have in common.

    Attributes
    ----------
    level : tuple (kind, value)
    load : float
        Ohm; 0 is the stage's own.
    thd : float
        The distortion to be reached, in place of a level; 0 for none.
    """

    tones: Tones
    level: tuple[str, float]
    load: float
    thd: float = 0.0


def experiments(stage: Stage, readings: Indexed) -> list[Experiment]:
    """One experiment for every set of conditions."""
    sets: dict[Condition, list[tuple[int, Reading]]] = {}
    for i, reading in readings:
        sets.setdefault(_condition(stage, reading), []).append((i, reading))
    return [_experiment(condition, members) for condition, members in sets.items()]


def _condition(stage: Stage, reading: Reading) -> Condition:
    if reading.quantity == "maximum output":
        tones = driven.tone(reading.frequency)
        return Condition(tones, ("output level", 0.0), reading.load, reading.thd)
    usual = stage.signal[0] if stage.signal else ("output level", 1.0)
    level = reading.level or usual
    if reading.quantity == "imd":
        return Condition(_pair(reading), level, reading.load)
    if reading.quantity == "many-tone floor":
        tones = driven.many_tones(residual.band_of(reading))
        assert tones.comb is not None
        share = 1.0 if reading.level else _CREST / tones.comb.crest
        how, value = level
        return Condition(tones, (how, value * share ** (2 if how == "power" else 1)), reading.load)
    return Condition(driven.tone(reading.frequency or TONE), level, reading.load)


def _pair(reading: Reading) -> Tones:
    """Equal tones where they are neighbours, else 4:1, the low one louder (IEC 60268-3)."""
    first, second = reading.tones
    ratio = reading.ratio
    if first > second:
        first, second, ratio = second, first, 1.0 / ratio if ratio else 0.0
    usual = 1.0 if driven.neighbours(first, second) else 4.0
    return driven.two_tones(first, second, ratio or usual)


def _experiment(condition: Condition, readings: Indexed) -> Experiment:
    def perform(stage: Stage) -> Steps[Values]:
        generator = Generator(stage, condition.tones, condition.load)
        if condition.thd:
            run_at = yield from at_distortion(generator, condition.thd)
        else:
            run_at = yield from at_level(generator, condition.level)
        bands = {residual.band_of(r) for _, r in readings if r.quantity in HEARS_NOISE}
        load = condition.load
        signal = run_at.spectrum.rms
        live = generator.stage  # ripple rises with the drive, and hum with it
        rest: dict[tuple[float, float], float] = {}
        for band in bands:
            rest[band] = yield from residual.hum_and_noise(live, band, load, signal)
        return [
            _with_noise(r, condition, run_at, rest[residual.band_of(r)])
            if r.quantity in HEARS_NOISE
            else _value(stage, r, run_at)
            for _, r in readings
        ]

    return Experiment(condition.load, tuple(i for i, _ in readings), perform)


def _value(stage: Stage, reading: Reading, found: Driven) -> float:
    if reading.quantity == "thd":
        return math.hypot(waveform.thd(found.spectrum, _FLOOR), RESIDUE)
    if reading.quantity == "harmonic":
        ratio = waveform.harmonic(found.spectrum, reading.order, _FLOOR)
        return 20.0 * math.log10(math.hypot(ratio, RESIDUE))
    if reading.quantity == "maximum output":
        return math.hypot(found.spectrum.rms, HUM_FLOOR)
    if reading.quantity == "supply current":
        return found.currents[[rail.name for rail in stage.rails].index(reading.rail)]
    low, high = sorted(reading.tones)
    product = waveform.difference_tone if driven.neighbours(low, high) else waveform.modulation
    amplitude = product(found.spectrum, low, high, _FLOOR)
    return math.hypot(amplitude.total, RESIDUE)


def _with_noise(reading: Reading, condition: Condition, found: Driven, rest: float) -> float:
    """What is no signal in the meter's band together with hum and noise there, over the signal."""
    low, high = residual.band_of(reading)
    comb = condition.tones.comb
    if comb is not None:
        signal, many_tones = _many_tones(found, comb, (low, high))
        ratio = math.hypot(many_tones, rest, HUM_FLOOR) / math.hypot(signal, HUM_FLOOR)
        return 20.0 * math.log10(math.hypot(ratio, RESIDUE))
    orders = range(2, waveform.HIGHEST + 1)
    lines = [found.spectrum.at(k * reading.frequency) for k in orders
             if low <= k * reading.frequency <= high]
    fundamental = math.hypot(found.spectrum.at(reading.frequency), _FLOOR)
    return math.hypot(math.hypot(*lines, _CREST * rest, _FLOOR) / fundamental, RESIDUE)


def _many_tones(
    found: Driven, comb: manytone.Comb, band: tuple[float, float]
) -> tuple[float, float]:
    """RMS of many tones and of what lies between them, V: of a steady state by its lines."""
    if found.cycle is not None:
        return manytone.between_lines(found.cycle.lines[:, 0], comb, band)
    return manytone.between(found.time, found.output, comb, band)


@dataclass
class Generator:
    """The generator at a stage's input; it remembers how far the rails have sagged.

    Attributes
    ----------
    stage : Stage
        With rails as they were after the last run.
    load : float
        Ohm; 0 is the stage's own.
    start : tuple of (str, float)
        Where the rails' sources stood after the last run.
    """

    stage: Stage
    tones: Tones
    load: float
    start: tuple[tuple[str, float], ...] = field(default=())
    _last: Driven | None = None
    _passes: float | None = None

    def passes(self) -> Steps[float]:
        """`gain` on the rails as they are at rest, asked for once."""
        if self._passes is None:
            self._passes = yield from self.gain()
        return self._passes

    def gain(self) -> Steps[float]:
        """Small-signal gain at the highest tone, what passes a dead stage included.

        Of many tones, as loud as each other, that of their power.
        """
        output = (node(self.stage.output),)
        many = self.tones.comb is not None
        frequencies = self.tones.frequencies if many else self.tones.frequencies[-1:]
        wanted = SmallSignal(GENERATOR, frequencies, output, ())
        (answer,) = yield from ask(circuit(self.stage, self.load), (wanted,))
        assert isinstance(answer, Response)
        gains = [abs(gain) for gain in answer.nodes[:, 0]]
        return math.hypot(math.hypot(*gains) / math.sqrt(len(gains)), SILENCE)

    def at(self, crest: float) -> Steps[Driven]:
        """Drive the stage to an e.m.f. of that crest, V."""
        if any(rail.unloaded is not None for rail in self.stage.rails):
            amps = self._expected(crest, (yield from self.passes()))
            self.stage = replace(self.stage, rails=following(self.stage, amps))
        near = self._last.cycle if self._last is not None else None
        wave = yield from driven.drive(self.stage, self.tones, crest, self.load, self.start, near)
        self.start, self.stage, self._last = wave.start, wave.stage, wave
        return wave

    def _expected(self, crest: float, gain: float) -> list[float]:
        """What the rails will give, A, so that one run mostly does; `gain` as they are at rest.

        Half an output stage gives crest / (π·load) on the average, as far as the rails allow; and
        what was measured before grows with that.
        """
        load = self.load or self.stage.load

        def halves(emf: float) -> float:
            swing = min(emf * gain, driven.swing(self.stage))
            return swing / (math.pi * load) if load else 0.0

        now, last = halves(crest), self._last
        if last is None:
            return [max(rail.gives, now) for rail in self.stage.rails]
        grown = now / max(halves(last.crest), 1e-12)
        return [max(rail.gives, rail.gives + (amps - rail.gives) * grown)
                for rail, amps in zip(self.stage.rails, last.currents, strict=True)]

    def level(self, found: Driven) -> float:
        """RMS at the output, V; of two tones, of the sine with the crest of both together."""
        if len(self.tones.frequencies) == 1 or self.tones.comb is not None:
            return max(found.spectrum.rms, HUM_FLOOR)
        crest = sum(found.spectrum.at(f) for f in self.tones.frequencies)
        return max(crest / _CREST, HUM_FLOOR)


def at_level(generator: Generator, level: tuple[str, float]) -> Steps[Driven]:
    """The stage at a stated level, or as near to it as it comes.

    Parameters
    ----------
    level : tuple (kind, value)
        ``power`` in W, ``output level`` or ``input level`` in V RMS.
    """
    how, value = level
    if how == "input level":
        for _ in range(_SETTLING):
            found = yield from generator.at(value * _CREST)
            if found.settled:
                break
        return found
    target = value
    if how == "power":
        target = math.sqrt(value * (generator.load or generator.stage.load))
    asked = _CREST * target / (yield from generator.passes())
    most = min(_BEYOND * asked, _CREST * MOST_DRIVE)

    def distance(found: Driven) -> float:
        return math.log(generator.level(found) / target)

    return (yield from _search(generator, distance, min(asked, most), most, math.log1p(_NEAR)))


def _search(
    generator: Generator,
    distance: Callable[[Driven], float],
    crest: float,
    most: float,
    near: float,
) -> Steps[Driven]:
    """The drive at which a distance that rises with it is nothing, by secants in logarithms.

    A step that leaves what is known to hold the answer is replaced by the middle of that.
    """
    low, high = 0.0, math.inf
    slope = 1.0
    last: tuple[float, float] | None = None
    for _ in range(_RUNS):
        reached = yield from generator.at(crest)
        off = distance(reached)
        if reached.settled:
            if abs(off) <= near or (off < 0.0 and crest >= most):
                break
            low, high = (crest, high) if off < 0.0 else (low, crest)
        if last is not None and last[0] != crest:
            slope = (off - last[1]) / math.log(crest / last[0])
        last = crest, off
        step = min(crest * math.exp(-off / min(max(slope, 0.3), 30.0)), most)
        if not low < step < high:
            step = math.sqrt(low * high) if low > 0.0 and high < math.inf else step
        crest = step
    return reached


def at_distortion(generator: Generator, thd: float) -> Steps[Driven]:
    """The stage at the highest output whose distortion is the stated one.

    The search comes from above, from a drive that clips, since a stage may distort more at a
    lower level as well (crossover).

    Parameters
    ----------
    thd : float
        A ratio.
    """
    most = _CREST * MOST_DRIVE
    gain = yield from generator.passes()
    swing = driven.swing(generator.stage)
    crest = min(swing / gain, most) if swing else most

    def excess(found: Driven) -> float:
        return math.log(max(waveform.thd(found.spectrum, _FLOOR), RESIDUE) / thd)

    found = yield from generator.at(crest)
    while excess(found) < 0.0 and crest < most:
        crest = min(crest * 1.4, most)
        found = yield from generator.at(crest)
    if excess(found) < 0.0:
        return found
    above = found
    # the peak that clips shows where the straight part of the transfer ends
    crest = min(max(found.peak / gain, 0.1 * crest), 0.97 * crest)
    for _ in range(_RUNS):
        found = yield from generator.at(crest)
        off = excess(found)
        if off < 0.0:
            return (yield from _between(generator, found, above, excess))
        slope = (excess(above) - off) / math.log(above.crest / crest)
        # where distortion grows as a power of the level, that tells how far to go
        ahead = math.exp(-off / slope) if slope > 0.0 else 1.0
        above, crest = found, crest * min(max(0.95 * ahead, 0.1), 0.8)
    return found


def _between(
    generator: Generator, low: Driven, high: Driven, excess: Callable[[Driven], float]
) -> Steps[Driven]:
    """Where the excess crosses zero between two drives (regula falsi, Illinois)."""
    below, above = excess(low), excess(high)
    side = 0
    nearest = low
    for _ in range(_RUNS):
        share = min(max(below / (below - above), 0.02), 0.98)
        nearest = yield from generator.at(low.crest + share * (high.crest - low.crest))
        off = excess(nearest)
        slope = min(
            (off - excess(low)) / math.log(nearest.crest / low.crest),
            (excess(high) - off) / math.log(high.crest / nearest.crest),
        )
        narrow = high.crest / low.crest < 1.0 + _NEAR
        if nearest.settled and (abs(off) < _NEAR * max(slope, 1.0) or narrow):
            break
        if off < 0.0:
            low, below = nearest, off
            above *= 0.5 if side < 0 else 1.0
            side = -1
        else:
            high, above = nearest, off
            below *= 0.5 if side > 0 else 1.0
            side = 1
    return nearest

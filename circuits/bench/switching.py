"""Steps: rise time and overshoot of a small one, slope of a large one, and self-oscillation.

The probe comes before every reading under drive. A small step upsets the unit; a trapezoidal rule
with its step under control shows whether what follows dies away. Gear's method, which the
distortion readings need, damps a real oscillation until it cannot be seen.

A slew rate is the slope of a large square wave (IEC 60268-3, from memory). Where no level is stated
the step is made as high as 85 % of what the output can swing: a sine that clips on both sides tells
that. The slope of a smaller one may be that of the bandwidth alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from circuits.bench import driven
from circuits.bench.analysis import (
    Complexes,
    Floats,
    Modes,
    Poles,
    Response,
    SmallSignal,
    Transient,
    Waves,
)
from circuits.bench.distortion import MOST_DRIVE, TONE
from circuits.bench.plan import Experiment, Indexed, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.steps import Steps, ask
from circuits.errors import Oscillates
from circuits.moving import GENERATOR, STILL, Drive
from circuits.netlist import circuit
from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.spelling import node
from circuits.stage import Stage

QUANTITIES = ("rise time", "overshoot", "slew rate")

PROBE_STEP = 1e-3
"""V at the generator."""
_PROBE_TIME = 60e-6
"""s that a unit is watched for self-oscillation."""
_PROBE_POINTS = 1200
"""Points of that time: 50 ns apart, four to a period of 5 MHz."""
_PROBE_BAND = (75e3, 1e8)
"""Hz: three periods in two thirds of that time, and more than any part of a stage is good for."""
_OPTIONS = ("method=trap", "trtol=7", "reltol=1e-4")
_ALIVE = 0.7
"""What still swings in the last third, over the middle third, of an oscillation."""
_LEAST_SWING = 1e-4
"""V RMS below which nothing swings."""

SMALL = 0.1
"""Of the usual drive: small enough for a linear answer."""
_SEARCH_HZ = tuple(float(f) for f in np.geomspace(100.0, 1e8, 97))
_WINDOW = 6.0
"""Length of the run over 1 / (upper corner): 17 rise times of one pole."""
_POINTS = 1500
"""Points of one run of a step, which is `_WINDOW` long: some 90 to a rise time of one pole."""
_AT_REST = 0.05
"""A rise from one fifth of the run to the next, relative to the step, that is rest."""
_MOST_OVERSHOOT = 2.0
"""Beyond this the screen shows a pulse and no step."""
_LONGER = 4
"""Runs of a step, each three times as long as the last, until its top is at rest."""
_LEAST_SLEW = 1.0
"""V/s that a scope still shows."""
_CHORD = 0.02
"""Least rise of a chord, relative to the whole step, that a slope is read from."""
_LARGE = 0.85
"""Of the largest swing, near the middle of what is usual."""
_OVERDRIVE = 1.5
"""Of what the rails allow: a sine that clips."""
_SWING = 13.0
"""V, of an op-amp drawn without supply pins whose data state none."""


@dataclass(frozen=True)
class Oscillation:
    """A unit that swings by itself: frequency in Hz, amplitude at its output in V peak.

    The amplitude is no number where it grows too slowly for a probe to see it.
    """

    frequency: float
    amplitude: float


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


# -- oscillation -----------------------------------------------------------------------------------


def require_quiet(stage: Stage, load: float = 0.0) -> Steps[None]:
    """Raise Oscillates where the unit swings by itself."""
    swing = yield from probe(stage, load)
    if swing is not None:
        raise Oscillates(f"oscillates at {render(swing.frequency, 'Hz', 2)}")


def probe(stage: Stage, load: float = 0.0) -> Steps[Oscillation | None]:
    """See whether a unit swings by itself: by its poles, or by a step of 1 mV that dies away.

    Finds what swings faster than about 75 kHz, as loops do whose compensation is lost; a slow
    instability over the supply takes longer than the 60 µs that an answer is looked at.

    Parameters
    ----------
    load : float
        Ohm in place of the stage's own; 0 keeps that.

    Returns
    -------
    Oscillation or None
    """
    step = _PROBE_TIME / _PROBE_POINTS
    run = Transient((node(stage.output),), _PROBE_TIME, step, 0.0, _OPTIONS)
    wanted = Poles(GENERATOR, PROBE_STEP, run, _PROBE_BAND)
    (answer,) = yield from ask(circuit(stage, load, STILL), (wanted,))
    if isinstance(answer, Modes):
        found = growing(answer.poles)
        if found is None:
            return None
        # how far it swings, and how fast then, is for what bends to tell
        (answer,) = yield from ask(circuit(stage, load, Drive(repr(PROBE_STEP))), (run,))
        assert isinstance(answer, Waves)
        return swinging(answer.time, answer.nodes[:, 0]) or found
    assert isinstance(answer, Waves)
    return swinging(answer.time, answer.nodes[:, 0])


def growing(poles: Complexes) -> Oscillation | None:
    """What grows fastest of the poles of a unit, 1/s; of its amplitude they tell nothing."""
    fastest = poles[np.argmax(poles.real)] if len(poles) else 0.0
    if fastest.real <= 0.0:
        return None
    return Oscillation(float(fastest.imag) / (2.0 * math.pi), math.nan)


def swinging(time: Floats, values: Floats) -> Oscillation | None:
    """What still swings in the last third of a waveform as it did in the middle third.

    Parameters
    ----------
    time, values : (t,) arrays
        From the upset on.
    """
    third = (time[-1] - time[0]) / 3.0
    stretches = [(third, 2.0 * third), (2.0 * third, 3.0 * third), (third, 3.0 * third)]
    waves = [_detrended(time, values, time[0] + a, time[0] + b) for a, b in stretches]
    before, after = (math.sqrt(waveform.average(t, x * x)) for t, x in waves[:2])
    if after < _LEAST_SWING or after < _ALIVE * before:
        return None
    when, wave = waves[2]
    up = np.flatnonzero((wave[1:] >= 0.0) & (wave[:-1] < 0.0))
    if up.size < 3:
        return None  # a drift, not a swing
    edges = when[up] - wave[up] * (when[up + 1] - when[up]) / (wave[up + 1] - wave[up])
    frequency = (up.size - 1) / float(edges[-1] - edges[0])
    return Oscillation(frequency, float(np.ptp(waves[1][1])) / 2.0)


def _detrended(time: Floats, values: Floats, start: float, stop: float) -> tuple[Floats, Floats]:
    """A stretch without its parabola."""
    kept = (time >= start) & (time <= stop)
    time, values = time[kept], values[kept]
    place = 2.0 * (time - time[0]) / (time[-1] - time[0]) - 1.0
    fit = np.polynomial.chebyshev.chebfit(place, values, 2)
    return time, values - np.polynomial.chebyshev.chebval(place, fit)


# -- steps -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Condition:
    """What readings that share one step have in common.

    Attributes
    ----------
    level : tuple (kind, value) or None
        None is a small step, or a large one.
    load : float
        Ohm; 0 is the stage's own.
    large : bool
        As high as the stage bears, where no level is stated.
    """

    level: tuple[str, float] | None
    load: float
    large: bool = False


def experiments(stage: Stage, readings: Indexed) -> list[Experiment]:
    """One step for every level, load and height."""
    sets: dict[Condition, list[tuple[int, Reading]]] = {}
    for i, reading in readings:
        large = reading.level is None and reading.quantity == "slew rate"
        sets.setdefault(Condition(reading.level, reading.load, large), []).append((i, reading))
    return [_experiment(condition, members) for condition, members in sets.items()]


def _usual(stage: Stage) -> tuple[str, float]:
    """The usual drive."""
    return stage.signal[0] if stage.signal else ("output level", 1.0)


def _experiment(condition: Condition, readings: Indexed) -> Experiment:
    def perform(stage: Stage) -> Steps[Values]:
        level = condition.level
        if condition.large:
            level = yield from largest(stage, condition.load)
        time, volts, height = yield from edge(stage, level, condition.load)
        share = volts / height
        values = {
            "slew rate": max(steepest(time, volts), _LEAST_SLEW),
            "rise time": waveform.rise_time(time, share, 0.0, 1.0),
            "overshoot": min(waveform.overshoot(share, 0.0, 1.0), _MOST_OVERSHOOT),
        }
        return [values[reading.quantity] for _, reading in readings]

    return Experiment(condition.load, tuple(i for i, _ in readings), perform)


def largest(stage: Stage, load: float = 0.0) -> Steps[tuple[str, float]]:
    """The level of the largest square wave that a stage passes without clipping.

    Parameters
    ----------
    load : float
        Ohm in place of the stage's own; 0 keeps that.

    Returns
    -------
    tuple (kind, value)
        As in a reading; the usual drive of a stage that has neither rails nor op-amps.
    """
    swings = [part.parameter("swing", _SWING) for part in stage.parts if part.kind == "opamp"]
    allowed = driven.swing(stage) or max(swings, default=0.0)
    if not allowed:
        return _usual(stage)
    output = (node(stage.output),)
    wanted = SmallSignal(GENERATOR, (TONE,), output, ())
    (answer,) = yield from ask(circuit(stage, load), (wanted,))
    assert isinstance(answer, Response)
    gain = math.hypot(abs(answer.nodes[0, 0]), SILENCE)
    crest = min(_OVERDRIVE * allowed / gain, math.sqrt(2.0) * MOST_DRIVE)
    clipped = yield from driven.drive(stage, driven.tone(TONE), crest, load)
    return "output level", _LARGE * clipped.peak


def steepest(time: Floats, volts: Floats) -> float:
    """The steepest slope of a waveform, V/s, of chords that rise by 2 % of it or more.

    A shorter chord would tell of rounding, or of what a step without any rise time of its own
    sends past an amplifier; of one pole this one is 1 % less steep than the tangent.

    Parameters
    ----------
    time, volts : (t,) arrays
        s, rising, and V.
    """
    grid = np.linspace(time[0], time[-1], 2 * _POINTS)
    even = np.interp(grid, time, volts)
    least = _CHORD * float(np.ptp(even))
    rise, width = 0.0, 0
    while rise < least or not width:
        width += 1
        rise = float(np.abs(even[width:] - even[:-width]).max())
    return rise / (width * float(grid[1] - grid[0]))


def step(
    stage: Stage, level: tuple[str, float] | None = None, load: float = 0.0
) -> Steps[tuple[Floats, Floats]]:
    """The answer to a step, 0 before it and 1 where it comes to rest.

    Parameters
    ----------
    level : tuple (kind, value), optional
        As in a reading: the height of the step is that RMS value, a square wave's half height; by
        default a tenth of the usual drive.
    load : float
        Ohm in place of the stage's own; 0 keeps that.

    Returns
    -------
    time, share : (t,) arrays
        s; the top is the mean of the last fifth of a run of six times 1 / (upper corner), or
        longer where it still rises. A unit that passes nothing answers with a straight line.
    """
    time, volts, height = yield from edge(stage, level, load)
    return time, volts / height


def edge(
    stage: Stage, level: tuple[str, float] | None = None, load: float = 0.0
) -> Steps[tuple[Floats, Floats, float]]:
    """`step` in volts: time, voltage from where it was before the step, and its height."""
    output = (node(stage.output),)
    search = SmallSignal(GENERATOR, _SEARCH_HZ, output, ())
    (answer,) = yield from ask(circuit(stage, load), (search,))
    assert isinstance(answer, Response)
    gains = np.hypot(np.abs(answer.nodes[:, 0]), SILENCE)
    length = _WINDOW / _upper_corner(np.array(_SEARCH_HZ), gains)
    height = min(_height(stage, level, load, float(gains.max())), MOST_DRIVE)
    net = circuit(stage, load, Drive(repr(height)))
    for _ in range(_LONGER):
        wanted = Transient(output, length, length / _POINTS, 0.0, _OPTIONS)
        (waves,) = yield from ask(net, (wanted,))
        assert isinstance(waves, Waves)
        time, values = waves.time, waves.nodes[:, 0]
        base = float(values[0])
        earlier, top = (
            _mean(time, values, a * length, (a + 0.2) * length) - base for a in (0.6, 0.8)
        )
        if abs(top) - abs(earlier) <= _AT_REST * abs(top):
            break
        length *= 3.0  # it slews, which the small-signal corner cannot tell
    if abs(top) <= SILENCE * height:
        # nothing but a line on the screen: no edge
        return time, SILENCE * height * time / length, SILENCE * height
    return time, values - base, top


def _mean(time: Floats, values: Floats, start: float, stop: float) -> float:
    kept = (time >= start) & (time <= stop)
    return waveform.average(time[kept], values[kept])


def _upper_corner(frequencies: Floats, gains: Floats) -> float:
    """Where the gain last falls below 1/√2 of its largest, Hz; the lowest for a dead unit."""
    if gains.max() <= 2.0 * SILENCE:
        return float(frequencies[0])
    above = np.flatnonzero(gains >= gains.max() / math.sqrt(2.0))
    k = min(int(above[-1]), len(gains) - 2)
    levels = np.log(gains[k : k + 2] / gains.max() * math.sqrt(2.0))
    part = min(max(levels[0] / max(levels[0] - levels[1], 1e-12), 0.0), 1.0)
    return float(frequencies[k] * (frequencies[k + 1] / frequencies[k]) ** part)


def _height(
    stage: Stage, level: tuple[str, float] | None, load: float, gain: float
) -> float:
    """Height of the step at the generator, V."""
    how, value = level or _usual(stage)
    if how == "power":
        how, value = "output level", math.sqrt(value * (load or stage.load))
    volts = value if how == "input level" else value / gain
    return volts if level is not None else SMALL * volts

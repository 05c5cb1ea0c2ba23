"""What a recording of a synchronised sweep shows: response, phase and harmonics against frequency.

Divided by the spectrum of the sweep, which is known in closed form, a recording becomes what the
unit would answer to a click; its harmonic of order m answers to one that came L·ln m earlier
(A. Novak, P. Lotton, L. Simon, 2015), so that a window about each tells it from the others. The
same is done with the sweep as it was played: what its fades and the windows do to the response is
divided out, and what they leave in the place of a harmonic is a floor below which nothing is told.

The floor of noise at a frequency is what windows of the same shape hold where no answer lies.
Mains lines, which go on through all windows, are read beside the answer and taken out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuits.signals import sweep as sweeps
from circuits.signals.spectrum import (
    LOBE,
    fit,
    line_rms,
    near,
    quick_length,
    refine,
    taper,
    transform,
    without,
)
from circuits.signals.sweep import Sweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ORDERS = range(2, 11)
"""Harmonics that are read, as far as their answers stand apart."""
LEAST_HARMONIC_HZ = 200.0
"""Hz of the fundamental below which harmonics are not read from a sweep: of a known polynomial the
second is right within 0.02 dB from there on, while the third was 6 dB off at 50 Hz (a trial; the
answers of neighbouring orders are too long down there)."""
_TAIL = 0.5
"""s of an answer that are looked at, at most: a coupling of 5 Hz has died away by 65 dB."""
_AHEAD = 0.3
"""s before an answer that are looked at, at most: what the start of the sweep leaves there."""
_ROOM_BEFORE, _ROOM_AFTER = 0.25, 0.7
"""Parts of the room between two answers that a window takes: `_ROOM_BEFORE` of the one before its
own, `_ROOM_AFTER` of the one behind."""
_PERIODS = 40.0
"""Of the frequency that is read, in the tail of a window, and half as many ahead: a window longer
than the answer lasts holds more noise and nothing else, and no unit is sharper than this."""
_SHORTEST = 0.02
"""s of a tail, at least."""
_LEAST_ROOM = 0.03
"""s between two answers below which they are not told apart."""
_FADE = 0.4
"""Part of a window's tail in which it is faded."""
_PLACES = 24
"""Frames in which noise is looked for, at most."""
_NOISE_FRAME = 0.2
"""s of each."""
_LEAST_FRAME = 16
"""Samples of each, at least: of a narrow sweep no stretch is without answers, and its floor is told
too high rather than not at all."""
_TOP_SHARE = 0.45
"""Of the rate: above, the recorder's own filter takes part."""
_LAST_ORDER = 3.4
"""Times L before the fundamental's answer at which that of order 30 lies: further ahead is noise
alone."""
_MAINS_TOP = 1000.0
"""Hz up to which mains lines are looked for."""
_CLEAR = 4.0
"""Power of a mains line over that of the noise in its place from which it is taken out."""
_ASTRAY = 0.005
"""How far the mains, or a clock, may be off."""
_LEAST_STRETCH = 0.4
"""s without an answer from which mains lines can be read."""


@dataclass(frozen=True, eq=False)
class Swept:
    """Curves over the same frequencies.

    Attributes
    ----------
    frequency : (n,) array
        Hz, of the fundamental.
    response : (n,) complex array
        What comes of a sweep of peak 1: its fundamental as a fraction of full scale, and its
        phase against the start that was told.
    floor : (n,) array
        RMS that noise has in its place, in the same unit.
    orders : tuple of int
        Harmonics that are read.
    harmonics : (h, n) array
        Their sizes in the unit of the response; NaN where they are not read.
    floors : (h, n) array
        RMS of noise in their places, with what the method itself leaves there.
    mains : tuple of float
        Hz of the mains lines that were taken out.
    """

    frequency: Floats
    response: Complexes
    floor: Floats
    orders: tuple[int, ...]
    harmonics: Floats
    floors: Floats
    mains: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class _Answer:
    """A recording as the answer to a click at time 0, which goes round."""

    samples: Floats
    rate: float

    def at(self, seconds: float, count: int) -> Floats:
        """So many samples from a time on."""
        first = round(seconds * self.rate)
        return np.asarray(np.take(self.samples, np.arange(first, first + count), mode="wrap"))


@dataclass(frozen=True)
class _Window:
    """Part of an answer: its middle, s, and how far it reaches before and behind."""

    middle: float
    ahead: float
    tail: float


def swept(
    wave: Floats, rate: float, sweep: Sweep, start: float, frequencies: Sequence[float],
    ratio: float = 1.0, mains: float = 50.0,
) -> Swept:
    """The curves of one channel.

    Parameters
    ----------
    wave : (n,) array
        From shortly before the sweep to shortly after it, without pilots.
    rate : float
        Samples a second.
    start : float
        s in the wave where the sweep starts.
    frequencies : sequence of float
        Hz, at which the curves are read.
    ratio : float
        Length of the sweep as recorded over that as played.
    mains : float
        Hz.

    Returns
    -------
    Swept
    """
    wave = wave[: quick_length(len(wave))]
    sweep = stretched(sweep, ratio)
    played = sweeps.values(sweep, np.arange(len(wave)) / rate - start)
    answer = _answer(wave, rate, sweep, start)
    ideal = _answer(played, rate, sweep, start)
    windows = _windows(sweep, rate, len(wave))
    first = windows[0]
    quiet = (first.tail, len(wave) / rate - _LAST_ORDER * sweep.constant - first.ahead)
    answer, lines = _without_mains(answer, quiet, mains)
    f = np.asarray(frequencies, dtype=float)
    own = _seen(ideal, first, f)
    fundamental = np.asarray(_seen(answer, first, f) / own)
    noise = _noise(answer, quiet)
    floor = np.asarray(noise.under(first, f, rate) / np.abs(own))
    orders = tuple(ORDERS)[: len(windows) - 1]
    sizes = np.full((len(orders), len(f)), math.nan)
    floors = np.full((len(orders), len(f)), math.nan)
    for row, (order, window) in enumerate(zip(orders, windows[1:], strict=True)):
        read = (f >= LEAST_HARMONIC_HZ) & (order * f < _TOP_SHARE * rate)
        if not read.any():
            continue
        at = order * f[read]
        sizes[row, read] = np.abs(_seen(answer, window, at))
        # what the sweep as played leaves there is known, and grows with the fundamental
        left = np.abs(_seen(ideal, window, at)) * np.abs(fundamental[read])
        floors[row, read] = np.hypot(noise.under(window, at, rate), left)
    return Swept(f, fundamental, floor, orders, sizes, floors, lines)


def stretched(sweep: Sweep, ratio: float) -> Sweep:
    """The sweep as a recorder sees it whose clock runs faster by a ratio."""
    return replace(
        sweep, constant=sweep.constant * ratio, first=sweep.first / ratio, last=sweep.last / ratio,
        low=sweep.low / ratio, high=sweep.high / ratio,
    )


def answer_peak(wave: Floats, rate: float, sweep: Sweep, start: float) -> float:
    """How much later than told a sweep starts, s, by the highest place of its answer.

    Parameters
    ----------
    start : float
        s in the wave where it is thought to start.
    """
    samples = np.abs(_answer(wave[: quick_length(len(wave))], rate, sweep, start).samples)
    place = int(samples.argmax())
    return (place if place < len(samples) // 2 else place - len(samples)) / rate


def _answer(wave: Floats, rate: float, sweep: Sweep, start: float) -> _Answer:
    """The wave over the spectrum of the sweep.

    That is ½·√(L/f)·e^(j(2πfL(1 − ln(f/f₁)) − π/4)), by the stationary phase.
    """
    spectrum = np.fft.rfft(wave)
    f = np.arange(len(spectrum)) * (rate / len(wave))
    low = 0.5 * sweep.first
    inside = f > low
    g = f[inside]
    angle = 2.0 * math.pi * g * sweep.constant * (1.0 - np.log(g / sweep.first)) - math.pi / 4.0
    angle -= 2.0 * math.pi * g * start
    # softly from half the first frequency on: below, nothing was played
    rise = np.sin(0.5 * math.pi * np.clip((g - low) / low, 0.0, 1.0)) ** 2
    spectrum[~inside] = 0.0
    spectrum[inside] *= 2.0 * np.sqrt(g / sweep.constant) * rise * np.exp(-1j * angle)
    return _Answer(np.fft.irfft(spectrum, len(wave)) / rate, rate)


def _windows(sweep: Sweep, rate: float, count: int) -> list[_Window]:
    """That of the fundamental, and those of the harmonics that stand apart."""
    constant = sweep.constant

    def between(order: int) -> float:
        return constant * math.log((order + 1) / order)

    tail = min(_TAIL, 0.3 * count / rate)
    made = [_Window(0.0, min(_ROOM_BEFORE * between(1), _AHEAD), tail)]
    for order in ORDERS:
        if between(order - 1) < _LEAST_ROOM:
            break
        made.append(_Window(
            -constant * math.log(order),
            min(_ROOM_BEFORE * between(order), _AHEAD),
            min(_ROOM_AFTER * between(order - 1), _TAIL),
        ))
    return made


def _shape(window: _Window, rate: float) -> Floats:
    """Flat in the middle, half a cosine at either end."""
    ahead, tail = round(window.ahead * rate), round(window.tail * rate)
    time = np.arange(-ahead, tail, dtype=float)
    up = np.clip((time + ahead + 0.5) / max(0.5 * ahead, 1.0), 0.0, 1.0)
    down = np.clip((tail - time - 0.5) / max(_FADE * tail, 1.0), 0.0, 1.0)
    return np.asarray(np.sin(0.5 * math.pi * np.minimum(up, down)) ** 2)


def _octaves(window: _Window, frequencies: Floats) -> list[tuple[_Window, NDArray[np.bool_]]]:
    """The window as long as each octave of frequencies needs it, and which of them these are."""
    octave = np.floor(np.log2(frequencies))
    made = []
    for k in np.unique(octave).tolist():
        tail = max(_PERIODS / 2.0**k, _SHORTEST)
        short = replace(window, ahead=min(window.ahead, 0.5 * tail), tail=min(window.tail, tail))
        made.append((short, octave == k))
    return made


def _seen(answer: _Answer, window: _Window, frequencies: Floats) -> Complexes:
    """What a window holds at some frequencies, Hz, its phase counted from its middle."""
    found = np.empty(len(frequencies), dtype=complex)
    for short, there in _octaves(window, frequencies):
        found[there] = _held(answer, short, frequencies[there])
    return found


def _held(answer: _Answer, window: _Window, frequencies: Floats) -> Complexes:
    rate = answer.rate
    shape = _shape(window, rate)
    begin = window.middle - round(window.ahead * rate) / rate
    part = answer.at(begin, len(shape)) * shape
    off = round(begin * rate) / rate - window.middle
    found = transform(part, rate, [float(f) for f in frequencies])
    return np.asarray(found * np.exp(-2j * math.pi * frequencies * off))


@dataclass(frozen=True, eq=False)
class _Quiet:
    """Noise of an answer: power a sample at every step of frequency."""

    step: float
    power: Floats

    def under(self, window: _Window, frequencies: Floats, rate: float) -> Floats:
        """RMS of what such a window holds of it."""
        found = np.interp(frequencies, self.step * np.arange(len(self.power)), self.power)
        for short, there in _octaves(window, frequencies):
            found[there] *= float(np.square(_shape(short, rate)).sum())
        return np.asarray(np.sqrt(found))


def _noise(answer: _Answer, quiet: tuple[float, float]) -> _Quiet:
    """What the stretch without answers holds, in frames that overlap by half.

    The median of their powers, over what that is of an exponential distribution: a click, or what
    is left of a line, stands in few of them and counts for nothing.
    """
    whole = max(quiet[1] - quiet[0], 2.0 / answer.rate)
    size = quick_length(max(round(min(_NOISE_FRAME, 0.25 * whole) * answer.rate), _LEAST_FRAME))
    count = int(np.clip(math.floor(2.0 * whole * answer.rate / size) - 1, 1, _PLACES))
    shape = np.hanning(size)
    places = np.linspace(quiet[0], max(quiet[1] - size / answer.rate, quiet[0]), count)
    frames = np.stack([answer.at(float(place), size) for place in places]) * shape
    power = np.square(np.abs(np.fft.rfft(frames, axis=1))) / float(np.square(shape).sum())
    near = np.stack([np.roll(power, k, axis=1) for k in (-2, 0, 2)])
    level = np.median(near.reshape(-1, power.shape[1]), axis=0) / math.log(2.0)
    return _Quiet(answer.rate / size, level)


def _without_mains(
    answer: _Answer, quiet: tuple[float, float], mains: float
) -> tuple[_Answer, tuple[float, ...]]:
    """The answer without mains lines, and these, Hz.

    They are read from the stretch behind the answers, where they go on as within.
    """
    rate = answer.rate
    count = quick_length(max(round((quiet[1] - quiet[0]) * rate), 1))
    if count < _LEAST_STRETCH * rate:
        return answer, ()
    part = answer.at(quiet[0], count)
    tapered = taper(part, rate)
    orders = range(1, math.floor(_MAINS_TOP / mains) + 1)
    # the strongest line tells the exact frequency for all
    tops = {k: near(tapered, k * mains, max(_ASTRAY * k * mains, tapered.step)) for k in orders}
    best = max(tops, key=lambda k: float(tapered.power[tapered.place(tops[k])]))
    exact = refine(part, rate, tops[best]) / best
    if abs(exact / mains - 1.0) > _ASTRAY:
        exact = mains
    rest = without(tapered, [k * exact for k in orders])
    seen = []
    for k in orders:
        size, noise = line_rms(tapered, rest, k * exact)
        if k * exact > (LOBE + 1) * tapered.step and size * size > _CLEAR * noise * noise:
            seen.append(k * exact)
    if not seen:
        return answer, ()
    found = fit(tapered, seen)
    total = len(answer.samples)
    # the answer goes round: half of it lies before time 0
    place = np.arange(total)
    time = np.where(place < quiet[1] * rate, place, place - total) / rate
    time -= round(quiet[0] * rate) / rate
    samples = answer.samples.copy()
    for frequency, amplitude in zip(found.frequencies, found.amplitudes, strict=True):
        turn = 2.0 * math.pi * frequency * time
        samples -= amplitude.real * np.cos(turn) - amplitude.imag * np.sin(turn)
    return _Answer(samples, rate), tuple(float(f) for f in found.frequencies)

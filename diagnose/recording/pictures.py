"""What of a recording can be looked at: the spectrum with its lines named, one period of a wave.

A spectrum is drawn so that the top of a line stands at the level of that line: its values are the
power of a step times the width of the window (`BANDWIDTH` of `circuits.signals.spectrum`), which
for noise is the power in so many steps. A recording has some 100 000 steps; of those that fall on
one place of a logarithmic axis the greatest is kept, so that no line is lost.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from circuits.quantity import render
from circuits.signals import waveform
from circuits.signals.period import one_period
from circuits.signals.spectrum import BANDWIDTH, Floats, Tapered
from diagnose.recording.figures import Channel, nominal, within_noise
from diagnose.recording.picture import HARMONIC, MAINS, PRODUCT, SIGNAL, Line, Picture

_PLACES = 480
"""Of a spectrum across a picture; more would stand on one pixel."""
_LOWEST = 10.0
"""Hz where a spectrum begins."""
_ROOT = math.sqrt(2.0)
"""Peak over RMS of a sine."""
_POINTS = 360
"""Of a period, evenly spread; beside its edges all are kept."""
_EDGE = 0.012
"""Of a period to either side of an edge."""
_BEFORE = 0.25
"""Of a period before its rising edge."""


def spectrum_of(channel: Channel, lines: Iterable[Line]) -> Picture:
    """The spectrum of a channel."""
    x, y = outline(channel.tapered)
    named = tuple(sorted(lines, key=lambda line: line.frequency))
    return Picture("spectrum", channel.name, tuple(map(_short, x)), tuple(map(_short, y)), named,
                   BANDWIDTH * channel.tapered.step)


def outline(tapered: Tapered) -> tuple[Floats, Floats]:
    """Places of a spectrum, Hz, and the greatest RMS at each.

    Returns
    -------
    x, y : (n,) array
        The frequency of that greatest one, so that a line stands where it is.
    """
    first = max(math.ceil(_LOWEST / tapered.step), 1)
    last = len(tapered.power) - 1
    edges = np.unique(np.rint(np.geomspace(first, last, _PLACES)).astype(int))
    x, y = [], []
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        top = low + int(tapered.power[low:high].argmax())
        x.append(top * tapered.step)
        y.append(math.sqrt(float(tapered.power[top]) * BANDWIDTH))
    return np.array(x), np.array(y)


def of_sine(
    channel: Channel, found: waveform.Spectrum, rest: Floats,
    hum: Mapping[int, tuple[float, bool]], mains: float,
) -> Picture:
    """The spectrum of a sine, its harmonics and the mains lines that are seen.

    Parameters
    ----------
    found : circuits.signals.waveform.Spectrum
        The sine and its harmonics.
    rest : (n,) array
        The power without them.
    hum : mapping of int to (float, bool)
        As in `diagnose.recording.mains_lines.Hum`.
    mains : float
        Hz.
    """
    lines = []
    for k, (frequency, amplitude) in enumerate(
        zip(found.frequencies.tolist(), np.abs(found.amplitudes).tolist(), strict=True), start=1
    ):
        if k == 1:
            name = render(nominal(frequency), "Hz")
            lines.append(Line(frequency, amplitude / _ROOT, SIGNAL, name))
        elif k <= waveform.HIGHEST and amplitude > within_noise(rest, channel.tapered, frequency):
            lines.append(Line(frequency, amplitude / _ROOT, HARMONIC, f"{k}"))
    return spectrum_of(channel, [*lines, *mains_of(hum, mains)])


def mains_of(hum: Mapping[int, tuple[float, bool]], mains: float) -> list[Line]:
    """The mains lines that are seen, named by their frequency."""
    return [Line(k * mains, rms, MAINS, f"{k * mains:g}")
            for k, (rms, seen) in hum.items() if seen]


def of_pair(
    channel: Channel, found: waveform.Spectrum, rest: Floats, low: float, high: float
) -> Picture:
    """The spectrum of two tones with the products of second and third order that are seen."""
    names = {
        high - low: "f2−f1", high + low: "f1+f2", 2.0 * low - high: "2f1−f2",
        2.0 * high - low: "2f2−f1", high - 2.0 * low: "f2−2f1", high + 2.0 * low: "f2+2f1",
    }
    lines = [Line(f, found.at(f) / _ROOT, SIGNAL, render(nominal(f), "Hz")) for f in (low, high)]
    for f, name in names.items():
        size = found.at(f)
        if f > 0.0 and size > within_noise(rest, channel.tapered, f):
            lines.append(Line(f, size / _ROOT, PRODUCT, name))
    return spectrum_of(channel, lines)


def of_tones(channel: Channel, frequencies: Sequence[float], peaks: Sequence[float]) -> Picture:
    """The spectrum of many tones; what lies between them is the unit's own."""
    return spectrum_of(channel, [Line(f, a / _ROOT, SIGNAL)
                                 for f, a in zip(frequencies, peaks, strict=True)])


def of_wave(channel: Channel, frequency: float, shift: int | None = None) -> tuple[Picture, int]:
    """One period of a square wave.

    Parameters
    ----------
    frequency : float
        Hz, nearly.
    shift : int, optional
        By how many of its points the channel beside was turned, so that what lies between the two
        stays; by default the rising edge comes to `_BEFORE` of the period.

    Returns
    -------
    Picture
    shift : int
    """
    time, values = one_period(channel.wave, channel.tapered.rate, frequency)
    count = len(values)
    if shift is None:
        middle = (float(np.quantile(values, 0.1)) + float(np.quantile(values, 0.9))) / 2.0
        rises = np.flatnonzero((values >= middle) & (np.roll(values, 1) < middle))
        shift = round(_BEFORE * count) - int(rises[0]) if rises.size else 0
    values = np.roll(values, shift)
    kept = np.zeros(count, dtype=bool)
    kept[:: max(count // _POINTS, 1)] = True
    kept[-1] = True
    middle = (float(values.max()) + float(values.min())) / 2.0
    reach = max(round(_EDGE * count), 1)
    for edge in np.flatnonzero(np.diff(values > middle)).tolist():
        kept[max(edge - reach, 0) : edge + 3 * reach : max(reach // 50, 1)] = True
    x, y = time[kept], values[kept]
    flats = (float(np.quantile(values, 0.25)), float(np.quantile(values, 0.75)))
    return Picture("wave", channel.name, tuple(map(_short, x)), tuple(map(_short, y)),
                   flats=flats), shift


def _short(value: float) -> float:
    """A place of a picture: more digits would only be longer."""
    return float(f"{value:.6g}")

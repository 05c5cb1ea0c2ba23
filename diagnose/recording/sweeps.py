"""From a recording of an exponential sweep to curves in the words of the bench sheet.

Response and harmonics come of the sweep; below 200 Hz harmonics come of the steady tones that may
stand before it, and where there are none nothing is told there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals.pilot import GAP
from circuits.signals.recording import CHANNELS, Recording, cut
from circuits.signals.ridge import Ridge, ridge
from circuits.signals.spectrum import fit, quick_length, taper, without
from circuits.signals.swept import LEAST_HARMONIC_HZ, Swept, answer_peak, swept
from circuits.signals.waveform import HIGHEST
from diagnose.recording.figures import decibels, within_noise
from diagnose.recording.measurement import Curve, Item
from diagnose.sheet.entry import Measured
from diagnose.stimulus.signal import STEADY, STEADY_SECONDS

Floats = NDArray[np.float64]

THIRDS = tuple(
    float(f"{mantissa * 10.0**decade:.6g}") for decade in (1, 2, 3, 4)
    for mantissa in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)
"""Hz, thirds of an octave by their nominal values (ISO 266)."""
DISTORTION_HZ = (35.0, 200.0, 1e3, 5e3)
"""Hz at which distortion goes on a sheet, the first where steady tones were played: each is a run
under drive, and more of them tell little more."""
TOLD_ORDERS = (2, 3, 4, 5)
"""Harmonics that are told one by one."""
SHEET_ORDERS = (2, 3)
"""Those of them that go on a sheet beside the thd."""
_LEAST_SUMMED = 3
"""The harmonic up to which a thd reaches at least."""
CROSSTALK_HZ = (100.0, 1e3, 1e4)
"""Hz at which crosstalk goes on a sheet."""
REFERENCE = 1e3
"""Hz that a response is relative to."""
_CLEAR = 2.0
"""Times the noise in its place from which a line is one and not a bound: 6 dB, as of a sine."""
_DRIVEN_APART_DB = 20.0
"""Channels whose sweeps lie so far apart are taken for one driven and one listened to."""
_EDGE_PERIODS = 4.0
"""Periods of a steady tone at either end that its fade may take, and what follows."""
_SHARE = 0.3
"""Of the power of a stretch, in which a steady tone is looked for, that is the tone's."""
LEAD, _AFTER = 0.2, 1.0
"""s of a recording before a sweep and after it that are read with it: `LEAD`, `_AFTER`."""
_DIGITS = 4
"""Of a level that is the condition of a reading."""


@dataclass(frozen=True, eq=False)
class Found:
    """A sweep in a recording.

    Attributes
    ----------
    ridge : Ridge
    ratio : float
        Of the recorder's clock over the player's.
    shaped : bool
        Whether it was played through the inverse of the RIAA curve.
    aligned : bool
        Whether its start is known by pilots.
    steady : tuple of (Hz, first sample, last sample)
        Tones before it.
    recording : Recording
        From shortly before the sweep on.
    tones : Recording
        With the tones.
    """

    ridge: Ridge
    ratio: float
    shaped: bool
    aligned: bool
    steady: tuple[tuple[float, int, int], ...]
    recording: Recording
    tones: Recording


def find(recording: Recording, loudest: int, begin: float | None, ratio: float,
         shaped: bool) -> Found | None:
    """The sweep of a recording; None where it holds none.

    Parameters
    ----------
    recording : Recording
        Without pilots.
    loudest : int
        Of its channels.
    begin : float or None
        s in it where what was played starts, known by pilots.
    ratio : float
        Of the clocks; 1 where it is not known.
    shaped : bool
    """
    wave, rate = recording.samples[loudest], recording.rate
    steady = () if begin is None else _steady(wave, rate, begin, ratio)
    start = begin
    if begin is not None and steady:
        start = begin + (len(steady) * STEADY_SECONDS + GAP) * ratio
    ahead = 0 if start is None else max(round((start - LEAD) * rate), 0)
    found = ridge(wave[ahead:], rate, None if start is None else start - ahead / rate)
    if found is None:
        return None
    if start is None:
        late = answer_peak(wave[ahead:], rate, found.sweep, found.start)
        found = Ridge(found.sweep, found.start + late)
        ahead = max(round((found.start - LEAD) * rate), 0)
        found = Ridge(found.sweep, found.start - ahead / rate)
    last = round((found.start + found.sweep.seconds * ratio + _AFTER) * rate) + ahead
    part = cut(recording, ahead, min(last, recording.samples.shape[1]))
    return Found(found, ratio, shaped, begin is not None, steady, part, recording)


def _steady(
    wave: Floats, rate: float, begin: float, ratio: float
) -> tuple[tuple[float, int, int], ...]:
    """The steady tones that stand one after the other from the start on."""
    made: list[tuple[float, int, int]] = []
    for tone in STEADY:
        edge = _EDGE_PERIODS / tone
        first = begin + (len(made) * STEADY_SECONDS + edge) * ratio
        last = begin + ((len(made) + 1) * STEADY_SECONDS - edge) * ratio
        low, high = round(first * rate), round(last * rate)
        part = wave[low:high]
        if len(part) < 0.9 * (high - low):
            break
        amplitude = abs(fit(taper(part, rate), [tone / ratio]).amplitudes[0])
        if amplitude**2 / 2.0 > _SHARE * float(np.square(part - part.mean()).mean()):
            made.append((tone, low, high))
    return tuple(made)


def figures(
    found: Found, chosen: Sequence[int], names: Sequence[str], full_scale: float | None,
    mains: float, driven: str,
) -> tuple[list[Item], list[Curve], list[str]]:
    """Items, curves and notes.

    Parameters
    ----------
    chosen : sequence of int
        Channels that are read.
    names : sequence of str
        Of all channels, empty where only one is told of.
    full_scale : float or None
        V RMS.
    mains : float
        Hz.
    driven : str
        As in `diagnose.recording.options.Options`.
    """
    sweep = found.ridge.sweep
    at = tuple(f for f in THIRDS if sweep.low * 0.999 <= f <= sweep.high * 1.001)
    reference = min(at, key=lambda f: abs(math.log(f / REFERENCE)))
    seen = {
        k: swept(found.recording.samples[k], found.recording.rate, sweep, found.ridge.start, at,
                 found.ratio, mains)
        for k in chosen
    }
    where = at.index(reference)
    sizes = {k: float(abs(one.response[where])) for k, one in seen.items()}
    loud = max(sizes, key=lambda k: sizes[k])
    carrying = [k for k in seen if _is_driven(k, sizes, loud, driven)]
    items: list[Item] = []
    curves: list[Curve] = []
    notes = _notes(found, seen[loud], at)
    for k, one in seen.items():
        if k not in carrying:
            curves.append(_crosstalk(names[k], one, seen[loud], at))
            continue
        items += _level(names[k], sizes[k], reference, full_scale)
        curves.append(_response(names[k], one, at, where, found.shaped))
        if found.aligned:
            curves.append(_phase("phase", names[k], np.angle(one.response, deg=True), at))
        curves += _distortion(names[k], one, at, full_scale, found, k, mains)
    if len(carrying) == 2:
        left, right = (seen[k].response for k in carrying)
        curves.append(_phase("phase, right against left", "",
                             np.angle(right / left, deg=True), at))
        items.append(Item(f"balance at {render(reference, 'Hz')}, right over left",
                          decibels(float(abs(right[where] / left[where]))), "dB"))
    elif len(seen) == 2 and not driven:
        notes.append(f"only the {names[loud]} channel is taken as driven; if both were, add "
                     "--driven both")
    return items, curves, notes


def _is_driven(k: int, sizes: dict[int, float], loud: int, driven: str) -> bool:
    if len(sizes) == 1 or driven == "both":
        return True
    if driven:
        return k == CHANNELS.index(driven)
    return decibels(sizes[loud] / max(sizes[k], 1e-15)) < _DRIVEN_APART_DB


def _notes(found: Found, one: Swept, at: Sequence[float]) -> list[str]:
    sweep = found.ridge.sweep
    made = [
        f"a sweep from {render(sweep.low, 'Hz')} to {render(sweep.high, 'Hz')} in "
        f"{sweep.seconds:.3g} s"
        + (", played through the inverse of the RIAA curve: what is told is the deviation from it"
           if found.shaped else "")
    ]
    if not found.steady:
        made.append(
            f"distortion below {render(LEAST_HARMONIC_HZ, 'Hz')} cannot be read from a sweep, and "
            "is left out: play one with steady tones before it (diagnose signal sweep --steady), "
            "or a sine"
        )
    if one.orders and one.orders[-1] < HIGHEST:
        made.append(f"a sweep so short tells harmonics up to {one.orders[-1]} apart: the thd is of "
                    "these")
    elif not one.orders:
        made.append("a sweep so short tells no harmonics apart; 10 s is a good length")
    if one.mains:
        made.append("mains lines were taken out of the sweep: "
                    + ", ".join(render(float(f"{f:.4g}"), "Hz") for f in one.mains))
    if found.aligned:
        made.append(
            "of the phase the delay at 1 to 3 kHz is taken out, which is the way through player "
            "and recorder; for a phase on a sheet record the generator in the other channel"
        )
    else:
        made.append("without pilots the phase of one channel cannot be told")
    return made


def _level(name: str, size: float, at: float, full_scale: float | None) -> list[Item]:
    word = f"level at {render(at, 'Hz')}"
    told = [Item(word, decibels(size), "dBFS", name)]
    return told if full_scale is None else [Item(word, size * full_scale, "V", name), *told]


def _curve(
    name: str, unit: str, channel: str, at: Sequence[float], values: Floats, low: Floats,
    floors: Floats, readings: Sequence[Reading | None],
) -> Curve:
    """A curve of levels, those below `low` as bounds there."""
    bounds = tuple("<" if v < least else "" for v, least in zip(values, low, strict=True))
    shown = tuple(float(max(v, least)) for v, least in zip(values, low, strict=True))
    measured = tuple(
        Measured(reading, value, bound=bound)
        for reading, value, bound in zip(readings, shown, bounds, strict=True) if reading
    )
    return Curve(name, unit, channel, tuple(at), shown, bounds,
                 tuple(float(f) for f in floors), measured)


def _db(ratio: Floats) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 1e-15)))


def _response(
    channel: str, one: Swept, at: Sequence[float], where: int, shaped: bool
) -> Curve:
    sizes = np.abs(one.response)
    whole = sizes[where]
    name = "riaa deviation" if shaped else "response"
    readings = [
        Reading(name, frequency=f) if shaped else Reading(name, frequency=f, reference=at[where])
        for f in at
    ]
    told: list[Reading | None] = [
        None if not shaped and k == where else reading for k, reading in enumerate(readings)
    ]
    return _curve(name, "dB", channel, at, _db(sizes / whole), _db(_CLEAR * one.floor / whole),
                  _db(one.floor / whole), told)


def _phase(name: str, channel: str, angle: Floats, at: Sequence[float]) -> Curve:
    return Curve(name, "deg", channel, tuple(at), tuple(float(x) for x in angle), ("",) * len(at))


def _crosstalk(channel: str, one: Swept, loud: Swept, at: Sequence[float]) -> Curve:
    whole = np.abs(loud.response)
    readings = [Reading("crosstalk", frequency=f) if f in CROSSTALK_HZ else None for f in at]
    return _curve("crosstalk", "dB", channel, at, _db(np.abs(one.response) / whole),
                  _db(_CLEAR * one.floor / whole), _db(one.floor / whole), readings)


@dataclass(frozen=True, eq=False)
class _Distorted:
    """Harmonics at some frequencies: sizes and RMS floors (orders, n), the fundamental (n,)."""

    at: tuple[float, ...]
    fundamental: Floats
    orders: tuple[int, ...]
    sizes: Floats
    floors: Floats


def _distortion(
    channel: str, one: Swept, at: Sequence[float], full_scale: float | None, found: Found, k: int,
    mains: float,
) -> list[Curve]:
    """The thd and the harmonics, of steady tones and of the sweep."""
    parts = [_of_tone(found, k, tone, low, high, mains) for tone, low, high in found.steady]
    if one.orders:
        read = ~np.isnan(one.harmonics[0])
        if read.any():
            parts.append(_Distorted(
                tuple(np.asarray(at)[read].tolist()), np.abs(one.response[read]), one.orders,
                one.harmonics[:, read], one.floors[:, read],
            ))
    if not parts:
        return []
    frequencies = tuple(f for part in parts for f in part.at)
    whole = np.concatenate([part.fundamental for part in parts])
    levels = [None if full_scale is None else
              ("output level", float(f"{size * full_scale:.{_DIGITS}g}")) for size in whole]
    ratio, low, floor = (np.concatenate(x) for x in zip(*map(_total, parts), strict=True))
    # without the third a sum of harmonics would be told that is not the unit's
    summed = np.flatnonzero(np.concatenate([_has(part, _LEAST_SUMMED) for part in parts])).tolist()
    made = [_curve(
        "thd", "%", channel, [frequencies[p] for p in summed], ratio[summed], low[summed],
        floor[summed],
        [Reading("thd", frequency=frequencies[p], level=levels[p])
         if frequencies[p] in DISTORTION_HZ else None for p in summed],
    )] if summed else []
    for order in TOLD_ORDERS:
        there = [part for part in parts if order in part.orders]
        if not there:
            continue
        rows = [(part, part.orders.index(order)) for part in there]
        sizes = np.concatenate([part.sizes[row] / part.fundamental for part, row in rows])
        floors = np.concatenate([part.floors[row] / part.fundamental for part, row in rows])
        shown = [f for part in there for f in part.at]
        kept = ~np.isnan(sizes)
        places = [frequencies.index(f) for f, is_kept in zip(shown, kept, strict=True) if is_kept]
        if not places:
            continue
        made.append(_curve(
            f"harmonic {order}", "dB", channel, [frequencies[p] for p in places],
            _db(sizes[kept]), _db(_CLEAR * floors[kept]), _db(floors[kept]),
            [Reading("harmonic", order=order, frequency=frequencies[p], level=levels[p])
             if order in SHEET_ORDERS and frequencies[p] in DISTORTION_HZ else None
             for p in places],
        ))
    return made


def _has(part: _Distorted, order: int) -> NDArray[np.bool_]:
    """At which of its frequencies a harmonic is read."""
    if order not in part.orders:
        return np.zeros(len(part.at), dtype=bool)
    return np.asarray(~np.isnan(part.sizes[part.orders.index(order)]))


def _total(part: _Distorted) -> tuple[Floats, Floats, Floats]:
    """The thd as ratio, the least that can be told of it, and what noise alone would show."""
    sizes = np.sqrt(np.nansum(np.square(part.sizes), axis=0)) / part.fundamental
    floors = np.sqrt(np.nansum(np.square(part.floors), axis=0)) / part.fundamental
    return sizes, _CLEAR * floors, floors


def _of_tone(
    found: Found, k: int, tone: float, low: int, high: int, mains: float
) -> _Distorted:
    """Of a steady tone, by least squares beside the mains lines that stand near."""
    rate = found.tones.rate
    wave = found.tones.samples[k, low : low + quick_length(high - low)]
    tapered = taper(wave, rate)
    exact = tone / found.ratio
    orders = range(1, HIGHEST + 1)
    lines = [exact * order for order in orders]
    hum = [mains * j for j in range(1, math.ceil(lines[-1] / mains) + 1)]
    beside = [f for f in hum if min(abs(f - line) for line in lines) > tapered.step]
    spectrum = fit(tapered, [*lines, *beside])
    rest = without(tapered, [*lines, *beside])
    sizes = np.abs(spectrum.amplitudes[: len(lines)])
    floors = np.array([within_noise(rest, tapered, f) / _CLEAR for f in lines])
    return _Distorted(
        (tone,), sizes[:1], tuple(orders)[1:], sizes[1:, None], floors[1:, None]
    )

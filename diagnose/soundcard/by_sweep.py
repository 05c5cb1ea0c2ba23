"""Curves by one exponential sweep: response, deviation from RIAA, and distortion from 200 Hz on.

One sweep tells at every frequency what tones tell one by one. Where its level at a frequency is not
the one that is asked for, distortion there is left to a tone of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from circuits.curves import riaa_db
from circuits.reading import Reading
from circuits.signals import sweep as sweeps
from circuits.signals.swept import Swept, swept
from diagnose.sheet.states import loaded_with
from diagnose.soundcard.asking import Flow
from diagnose.soundcard.at_unit import CURVE, LOUD_START, MIDDLE_HZ, START, STRIDE, AtUnit
from diagnose.soundcard.by_signal import sine
from diagnose.soundcard.calibration import SEEN
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import BENT, LEAST_SWEPT_HZ, Task
from diagnose.soundcard.played import AHEAD, swept_wave

SWEEP_SECONDS = 8.0
"""s: of three decades that tells a high-pass of 15 Hz within 0.02 dB at 20 Hz."""
_NEAR = 0.03
"""How far the level at a frequency may be from the one that is asked for: 0.25 dB, by which a
second harmonic moves as much, and a third twice that."""
_BELOW = 0.8
"""Of the lowest frequency that distortion is read at: where its sweep begins to have its level."""
_SPAN = 25.0
"""Times the bottom of a sweep that its top is at least: of a narrower one the answers of all orders
leave no stretch in which noise alone is heard."""
_ROOM = 0.9
"""Of the output's full scale that the loudest part of a sweep may have."""


@dataclass(frozen=True, eq=False)
class _Seen:
    """A sweep as it was heard.

    Attributes
    ----------
    at : mapping of Hz to place
        In the arrays of `curves`.
    peak : float
        Of what was played, at 1 kHz where it is shaped; a fraction of full scale.
    """

    at: dict[float, int]
    curves: Swept
    peak: float
    shaped: bool

    def size(self, frequency: float) -> float:
        """Peak that came back at a frequency, a fraction of full scale."""
        return float(abs(self.curves.response[self.at[frequency]]))

    def floor(self, frequency: float) -> float:
        """What noise alone would show of it."""
        return float(self.curves.floor[self.at[frequency]])

    def gain(self, frequency: float) -> float:
        """What came back over what was played, a ratio."""
        shape = float(abs(sweeps.replay(frequency))) if self.shaped else 1.0
        return self.size(frequency) * shape / self.peak


def sweep(bench: AtUnit, task: Task) -> Flow[None]:
    """A response by one sweep, or distortion against frequency at one level."""
    if task.readings[0].quantity in BENT:
        yield from _distortion(bench, task)
    else:
        yield from _response(bench, task.readings)


def _response(bench: AtUnit, readings: Sequence[Reading]) -> Flow[None]:
    rig = bench.rig
    emf, wanted = rig.usual * (LOUD_START if rig.loudspeaker else START), rig.usual * CURVE
    while True:
        yield from bench.sine(emf)
        if emf >= wanted * START:
            break
        emf = min(emf * STRIDE, wanted)
    shaped = any(r.quantity == "riaa deviation" for r in readings)
    places = {f for r in readings for f in (r.frequency, r.reference or MIDDLE_HZ)} | {MIDDLE_HZ}
    seen = yield from _taken(bench, wanted, places, shaped)

    def at(frequency: float) -> float:
        return (20.0 * math.log10(rig.volts(seen.gain(frequency)) * rig.peak(1.0))
                - rig.own.own_response(frequency))

    for reading in readings:
        value = at(reading.frequency)
        if reading.quantity != "gain":
            value -= at(reading.reference or MIDDLE_HZ)
        if reading.quantity == "riaa deviation":
            value -= float(riaa_db(reading.frequency) - riaa_db(MIDDLE_HZ))
        hidden = seen.size(reading.frequency) < SEEN * seen.floor(reading.frequency)
        bench.add(reading, value, bound="<" if hidden else "")


def _distortion(bench: AtUnit, task: Task) -> Flow[None]:
    rig, readings = bench.rig, task.readings
    nearest = min(readings, key=lambda r: abs(math.log(r.frequency / MIDDLE_HZ)))
    level = nearest.level or ("input level", rig.usual)
    emf = yield from bench.emf_for(level, nearest)
    alone: dict[float, list[Reading]] = {}
    try:
        # from near the lowest on: below, a phono input lifts a sweep that is not shaped for it
        seen = yield from _taken(bench, emf, {r.frequency for r in readings}, False,
                                 _BELOW * min(r.frequency for r in readings))
    except NotTaken as error:
        bench.say(f"tones in place of a sweep: {error}")
        for reading in readings:
            alone.setdefault(reading.frequency, []).append(reading)
    for reading in readings:
        if reading in alone.get(reading.frequency, ()):
            continue
        volts = rig.volts(seen.size(reading.frequency))
        found = _sizes(seen, reading)
        if found is None or not _level_is(_volts(level, reading, bench), volts):
            alone.setdefault(reading.frequency, []).append(reading)
            bench.say(f"at {reading.frequency:g} Hz a tone of its own: the sweep is not at the "
                      "level there")
            continue
        ratio, floor = found
        own = rig.own.own(reading, max(seen.size(reading.frequency) * rig.own.records, 1e-9))
        bound = "<" if ratio < SEEN * floor else ""
        value = max(ratio, SEEN * floor)
        if reading.unit == "dB":
            value = 20.0 * math.log10(value)
        bench.add(reading, value, own if math.isfinite(own) else 0.0, bound)
    for frequency, left in alone.items():
        try:
            yield from sine(bench, replace(task, kind="sine", readings=tuple(left)))
        except NotTaken as error:
            # what was read at other frequencies is kept
            bench.say(f"nothing was taken at {frequency:g} Hz: {error}")


def _volts(level: tuple[str, float], reading: Reading, bench: AtUnit) -> float:
    """V RMS at the output that are asked for; 0 where the input's level is."""
    kind, value = level[0], float(level[1])
    if kind == "input level":
        return 0.0
    return math.sqrt(value * loaded_with(reading, bench.rig.stage)) if kind == "power" else value


def _level_is(wanted: float, volts: float) -> bool:
    return not wanted or abs(volts / wanted - 1.0) <= _NEAR


def _sizes(seen: _Seen, reading: Reading) -> tuple[float, float] | None:
    """A ratio and what noise alone would show of it; None where the sweep does not tell it."""
    curves, k = seen.curves, seen.at[reading.frequency]
    if not curves.orders:
        return None
    whole = seen.size(reading.frequency)
    if reading.quantity == "harmonic":
        if reading.order not in curves.orders:
            return None
        row = curves.orders.index(reading.order)
        made = curves.harmonics[row, k], curves.floors[row, k]
    else:
        if np.isnan(curves.harmonics[:2, k]).any():
            return None
        made = (np.sqrt(np.nansum(np.square(curves.harmonics[:, k]))),
                np.sqrt(np.nansum(np.square(curves.floors[:, k]))))
    size, floor = (float(x) / whole for x in made)
    return None if math.isnan(size) else (size, floor)


def _taken(
    bench: AtUnit, emf: float, places: set[float], shaped: bool, low: float = LEAST_SWEPT_HZ
) -> Flow[_Seen]:
    """A sweep of V RMS of e.m.f. from a frequency on, as it was heard at some frequencies."""
    rig = bench.rig
    at = tuple(sorted(places))
    top = max(sweeps.top_of_band(bench.rate, max(at[-1], low * _SPAN)), at[-1])
    low = max(min(low, top / _SPAN), LEAST_SWEPT_HZ)
    plan = sweeps.planned((low, top), SWEEP_SECONDS, bench.rate)
    wave = sweeps.wave(plan, bench.rate, shaped)
    peak = min(rig.peak(emf), _ROOM / float(np.abs(wave).max())) if shaped else rig.peak(emf)
    bench.reaches(peak)
    heard = yield from bench.take(swept_wave(plan, peak * wave, bench.rate, peak))
    if np.abs(heard.wave).max() <= 0.0:
        raise NotTaken("nothing of the sweep comes back")
    curves = swept(heard.wave, heard.rate, plan, AHEAD * heard.ratio, at, heard.ratio,
                   rig.stage.mains)
    return _Seen({f: k for k, f in enumerate(at)}, curves, peak, shaped)


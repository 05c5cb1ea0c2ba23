"""Readings of a signal through a unit as it is connected: curves, distortion, noise, the most."""

from __future__ import annotations

import math

import numpy as np

from circuits.curves import riaa_db
from circuits.signals.spectrum import fit, quick_length, taper, without
from diagnose.recording.figures import within_noise
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.soundcard.asking import Flow, raw
from diagnose.soundcard.at_unit import (
    CURVE,
    LOUD_START,
    MIDDLE_HZ,
    QUICK,
    SECONDS,
    SLOW,
    START,
    STRIDE,
    AtUnit,
)
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import Task
from diagnose.soundcard.played import beside_mains, levelled, silence, tones

_LEAP, _GROW = 10.0 ** (4.0 / 20.0), 10.0 ** (1.0 / 20.0)
"""Steps of a tone that grows until it is distorted: 4 dB at first, then 1 dB."""
_MOST_STEPS = 24
"""Of these."""


def curve(bench: AtUnit, task: Task) -> Flow[None]:
    """Gain, response and deviation from the RIAA curve: tones at once, around hum where need be."""
    rig, mains = bench.rig, bench.rig.stage.mains
    shaped = any(r.quantity == "riaa deviation" for r in task.readings)
    emf = rig.usual * (LOUD_START if rig.loudspeaker else START)
    wanted = rig.usual * CURVE
    try:
        while True:
            yield from bench.sine(emf)
            if emf >= wanted * START:
                break
            emf = min(emf * STRIDE, wanted)
    except NotTaken as error:
        if "pilots" not in str(error) or not (
                yield from _nothing(bench, task, wanted, str(error))):
            raise
        return
    places = {f: beside_mains(f, mains) for r in task.readings
              for f in (r.frequency, r.reference or MIDDLE_HZ)}
    every = sorted({f for pair in places.values() for f in pair})
    played = levelled(every, rig.peak(wanted), shaped)
    seconds = SLOW if len(every) > 1 or every[0] < 200.0 else SECONDS
    heard = yield from bench.take(tones(played, seconds, bench.rate, rig.peak(wanted) / 2.0))
    sizes = heard.amplitudes(mains)
    gains = {f: 20.0 * math.log10(rig.volts(float(a)) / (peak / rig.peak(1.0)))
             - rig.own.own_response(f) for (f, peak), a in zip(played, sizes, strict=True)}

    def at(frequency: float) -> float:
        return float(np.mean([gains[f] for f in places[frequency]]))

    for reading in task.readings:
        value = at(reading.frequency)
        if reading.quantity != "gain":
            value -= at(reading.reference or MIDDLE_HZ)
        if reading.quantity == "riaa deviation":
            value -= float(riaa_db(reading.frequency) - riaa_db(MIDDLE_HZ))
        bench.add(reading, value)


def _nothing(bench: AtUnit, task: Task, emf: float, why: str) -> Flow[bool]:
    """Bounds on the gain of a unit that nothing comes through; whether it is one."""
    rig = bench.rig
    peak = rig.peak(emf)
    played = tones([(MIDDLE_HZ, peak)], SECONDS, bench.rate)
    wave = yield from raw(played)
    middle = wave[len(wave) // 3 : 2 * len(wave) // 3]
    middle = middle[: quick_length(len(middle))]
    if len(middle) < 0.2 * bench.rate:
        return False
    tapered = taper(middle, bench.rate)
    size = float(abs(fit(tapered, [MIDDLE_HZ]).amplitudes[0]))
    least = within_noise(without(tapered, [MIDDLE_HZ]), tapered, MIDDLE_HZ)
    bound = max(size, least, 2.0**-23)
    if rig.volts(bound) / emf > rig.gain / STRIDE:
        return False  # something is there, and lies where it does not belong
    bench.say(f"nothing of the signal comes through ({why}): is everything connected and on?")
    for reading in task.readings:
        if reading.quantity == "gain":
            bench.add(reading, 20.0 * math.log10(rig.volts(bound) / emf), bound="<")
    return True


def sine(bench: AtUnit, task: Task) -> Flow[None]:
    """Distortion of one tone at the level that is stated, else at the usual drive."""
    first = task.readings[0]
    level = first.level or ("input level", bench.rig.usual)
    emf = yield from bench.emf_for(level, first)
    heard = yield from bench.sine(emf, SECONDS, first.frequency)
    bench.figures(task.readings, heard, "sine")


def pair(bench: AtUnit, task: Task) -> Flow[None]:
    """Intermodulation of two tones."""
    (reading,) = task.readings
    low, high = sorted(reading.tones)
    near = high < 2.0 * low
    ratio = reading.ratio or (1.0 if near else 4.0)
    emf = yield from bench.emf_for(reading.level or ("input level", bench.rig.usual), reading)
    second = bench.rig.peak(emf) / math.hypot(1.0, ratio)
    both = [(low, ratio * second), (high, second)]
    heard = yield from bench.take(tones(both, SECONDS, bench.rate, bench.rig.peak(emf)))
    bench.figures(task.readings, heard, "difference tone" if near else "modulation")


def comb(bench: AtUnit, task: Task) -> Flow[None]:
    """What lies between some thirty tones at once."""
    from circuits.signals import manytone

    first = task.readings[0]
    emf = yield from bench.emf_for(first.level or ("input level", bench.rig.usual), first)
    plan = manytone.comb(first.band if any(first.band) else (20.0, 20e3))
    played = levelled([order * plan.base for order in plan.orders], bench.rig.peak(emf))
    heard = yield from bench.take(tones(played, SLOW, bench.rate, bench.rig.peak(emf) / 2.0))
    bench.figures(task.readings, heard, "tones")


def quiet(bench: AtUnit, task: Task) -> Flow[None]:
    """Noise and hum, the input as the step has it."""
    heard = yield from bench.take(silence(SLOW, bench.rate))
    if not heard.wave.any():
        raise NotTaken("the card hears nothing but zeros: is its input switched on?")
    bench.figures(task.readings, heard, "silence")


def most(bench: AtUnit, task: Task) -> Flow[None]:
    """The output at which a distortion is reached: in leaps, then from the last leap by 1 dB."""
    rig = bench.rig
    (reading,) = task.readings
    emf = yield from bench.emf_for(("input level", rig.usual * CURVE), reading)
    below: tuple[float, float, float] | None = None
    step = _LEAP
    for _ in range(_MOST_STEPS):
        try:
            heard = yield from bench.sine(emf, QUICK, reading.frequency)
        except NotTaken as error:
            if below is None:
                raise
            if step > _GROW:
                step, emf = _GROW, below[0] * _GROW
                continue
            bench.say(str(error))
            break
        found = measured(heard.recording(), Options("sine", rig.full_scale))
        volts, thd = found.item("level").value, found.item("thd").value
        if thd < reading.thd:
            below = emf, volts, thd
        elif below is None:
            bench.add(reading, volts, bound="<")
            return
        elif step > _GROW:
            step, emf = _GROW, below[0]
        else:
            _, low, ratio = below
            share = math.log(reading.thd / ratio) / math.log(max(thd / ratio, 1.0 + 1e-9))
            bench.add(reading, low * (volts / low) ** min(max(share, 0.0), 1.0))
            return
        emf *= step
    bench.add(reading, below[1] if below else 0.0, bound=">")

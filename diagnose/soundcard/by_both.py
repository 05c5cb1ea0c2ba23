"""Readings that take both inputs of a card: crosstalk, and phase against the generator."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from circuits.signals.spectrum import Complexes, fit, quick_length, taper, without
from diagnose.recording.figures import within_noise
from diagnose.soundcard.asking import Flow, by_hand
from diagnose.soundcard.at_unit import CURVE, MIDDLE_HZ, SECONDS, SLOW, AtUnit
from diagnose.soundcard.heard import Heard, NotTaken
from diagnose.soundcard.plan import Task
from diagnose.soundcard.played import beside_mains, levelled, tones

_SHARE = 0.7
"""Of the full scale of the input that hears the generator, which a phase is read at, at most."""


def across(bench: AtUnit, task: Task) -> Flow[None]:
    """Crosstalk: the other channel driven, this one listened to, one tone at a time.

    The driven input's e.m.f. is the usual drive, 10 dB less of a power stage; the other input is
    terminated by the card's own output, which is silent.
    """
    if bench.other is None:
        raise NotTaken("crosstalk takes both sides of the card, calibrated: diagnose take "
                       "--calibrate --both")
    rig, mains = bench.rig, bench.rig.stage.mains
    driver = AtUnit(bench.rate, bench.other, bench.takes, 1 - bench.side)
    wanted = rig.usual * (CURVE if rig.loudspeaker else 1.0)
    yield from driver.emf_for(("input level", wanted), task.readings[0], away=True)
    for reading in task.readings:
        heard = yield from driver.sine(wanted, SECONDS, reading.frequency, away=True)
        size, least = _beside(heard, mains)
        driven = driver.rig.volts(float(heard.amplitudes(mains)[0]))
        value = 20.0 * math.log10(rig.volts(max(size, least)) / driven)
        own = rig.own.own(reading, 1.0)
        bench.add(reading, value, own if math.isfinite(own) else 0.0, "<" if size < least else "")


def _beside(heard: Heard, mains: float) -> tuple[float, float]:
    """Peak of the tone in the other input, and the least that noise there lets be told."""
    assert heard.other is not None
    wave = heard.other[: quick_length(len(heard.other))]
    tapered, tone = taper(wave, heard.rate), heard.tones[0]
    lines = [tone, *(k * mains for k in range(1, 11) if abs(k * mains - tone) > tapered.step * 2.0)]
    size = float(abs(fit(tapered, lines).amplitudes[0]))
    return size, max(within_noise(without(tapered, lines), tapered, tone), 2.0**-23)


def phase(bench: AtUnit, task: Task) -> Flow[None]:
    """Output against generator: one input hears the unit, the other one the card's output.

    Both inputs hear the generator first, so that their own difference is taken out.
    """
    rig = bench.rig
    here, there = bench.sides
    places = {f: beside_mains(f, rig.stage.mains) for f in (r.frequency for r in task.readings)}
    every = sorted({f for pair in places.values() for f in pair})
    other = bench.other or rig
    most = _SHARE * min(1.0, other.own.records / rig.own.plays)
    wanted = min(rig.peak(rig.usual * CURVE), most)
    middle = replace(task.readings[0], frequency=MIDDLE_HZ)
    yield from bench.emf_for(("input level", wanted / rig.peak(1.0)), middle)
    played = tones(levelled(every, wanted), SLOW if every[0] < MIDDLE_HZ else SECONDS, bench.rate,
                   wanted / 2.0)
    if not (yield from by_hand(
            f"for the phase a Y lead: the {here} output of the card to both of its inputs, "
            "nothing else")):
        return
    own = _turn((yield from bench.take(played)))
    divider = ", by its divider" if rig.behind else ""
    if not (yield from by_hand(
            f"the {here} output of the card to the input of the unit as before{divider}, and by "
            f"the Y lead to the {there} input of the card; the output of the unit to the {here} "
            "input again")):
        return
    unit = _turn((yield from bench.take(played)))
    if not (yield from by_hand("take the Y lead off, and put all leads back as they were")):
        bench.say("the Y lead is still there: take it off")
    turned = dict(zip(every, unit / own, strict=True))
    for reading in task.readings:
        pair = [turned[f] for f in places[reading.frequency]]
        # of two tones around a hum line the one between them, on the shorter way round
        between = complex(np.prod([one / abs(one) for one in pair])) ** (1.0 / len(pair))
        if (between * pair[0].conjugate()).real < 0.0:
            between = -between
        bench.add(reading, math.degrees(float(np.angle(between))))


def _turn(heard: Heard) -> Complexes:
    """What is heard here over what is heard there, complex, at each tone."""
    if heard.other is None:
        raise NotTaken("a phase takes a card of two inputs")
    beside = heard.beside()
    if not np.all(np.abs(beside) > 0.0):
        raise NotTaken("the other input of the card hears nothing of the generator")
    return np.asarray(heard.here() / beside)

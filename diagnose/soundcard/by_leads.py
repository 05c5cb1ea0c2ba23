"""Readings for which leads change in the middle: impedances at both ends of a unit."""

from __future__ import annotations

from circuits.quantity import render
from circuits.state import OPEN
from diagnose.soundcard.asking import Flow, by_hand
from diagnose.soundcard.at_unit import CURVE, SECONDS, AtUnit
from diagnose.soundcard.divider import e24
from diagnose.soundcard.plan import Task
from diagnose.soundcard.rig import Rig

_SURE = 0.02
"""Part by which a level with a load must differ from that without, to tell an impedance: ten times
what two takes of a card differ by."""


def loads(bench: AtUnit, task: Task) -> Flow[None]:
    """Output impedance, from the output without a load and with one."""
    rig = bench.rig
    load = task.readings[0].load or (rig.stage.load if rig.loudspeaker else _test_load(rig))
    emf = rig.usual * CURVE
    first = task.readings[0]
    frequency = first.frequency
    if rig.loudspeaker and not (yield from by_hand("disconnect the load of the unit")):
        return
    emf = yield from bench.emf_for(("input level", emf), first)
    free = yield from _size(bench, emf, frequency)
    if not (yield from by_hand(f"connect {render(load, 'ohm')} across the output")):
        return
    under = yield from _size(bench, emf, frequency)
    fall = free / under - 1.0
    off = f"take the {render(load, 'ohm')} off again"
    if not rig.loudspeaker and not (yield from by_hand(off)):
        return
    ohms = max(fall, 1e-6) * load
    # the card hangs on it in both: what is read is the impedance beside the card
    ohms = ohms if rig.loudspeaker else 1.0 / max(1.0 / ohms - 1.0 / rig.load, 1e-9)
    bound = "<" if fall < _SURE / 10.0 else ""
    for reading in task.readings:
        if reading.quantity == "damping factor":
            bench.add(reading, load / max(ohms, 1e-9), bound=">" if bound else "")
        else:
            bench.add(reading, ohms, bound=bound)


def _size(bench: AtUnit, emf: float, frequency: float) -> Flow[float]:
    """Peak of one tone as it comes back, a fraction of full scale."""
    heard = yield from bench.sine(emf, SECONDS, frequency)
    return float(heard.amplitudes(bench.rig.stage.mains)[0])


def _test_load(rig: Rig) -> float:
    """Ohm of a resistor that a line output is loaded with: its own load, else what lines have."""
    return e24(min(rig.stage.load if rig.stage.load not in (0.0, OPEN) else 10e3, 10e3))


def series(bench: AtUnit, task: Task) -> Flow[None]:
    """Input impedance, from the output with a resistor before the input and without."""
    rig = bench.rig
    ohms = 47e3
    first = task.readings[0]
    emf = yield from bench.emf_for(("input level", rig.usual * CURVE), first)
    plain = yield from _size(bench, emf, first.frequency)
    if not (yield from by_hand(f"put {render(ohms, 'ohm')} in series with the input of the unit")):
        return
    less = yield from _size(bench, emf, first.frequency)
    if not (yield from by_hand(f"take the {render(ohms, 'ohm')} out again")):
        return
    ratio = less / plain
    before = rig.behind.ohms if rig.behind else max(rig.own.output_ohms, rig.stage.source_impedance)
    if ratio > 1.0 - _SURE / 10.0:
        bench.add(first, ohms / (_SURE / 10.0), bound=">")
        return
    bench.add(first, max(ohms * ratio / (1.0 - ratio) - before, 1.0))

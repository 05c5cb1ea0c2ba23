"""Mains lines in a recording, and the names of their patterns.

A full-wave supply that ripples shows at even multiples of the mains; stray pick-up, an earth loop
or saturated iron at the mains frequency and its odd multiples; half-wave ripple at all of them,
the first the strongest (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals.spectrum import LOBE, Floats, Tapered, line_rms, near, without
from diagnose.recording.figures import Channel, decibels
from diagnose.recording.measurement import Item

ORDERS = range(1, 11)
_ALWAYS = 4
"""Up to this multiple a line is told even where nothing is seen of it."""
_ASTRAY = 0.005
"""How far the mains, or the recorder's clock, may be off."""
_CLEAR = 4.0
"""Power of a line over that of the noise in its place, from which it is seen: ten of its sigmas,
as some of twenty places would reach less by chance."""
_APART_DB = 10.0
"""Odd and even multiples so far apart leave no doubt; half-wave ripple has them 5 dB apart."""


@dataclass(frozen=True, eq=False)
class Hum:
    """Mains lines of one channel.

    Attributes
    ----------
    rms : dict of int to (float, bool)
        Order to RMS as a fraction of full scale, and whether it is seen or only a bound.
    rest : (n,) array
        The power without them and without the signal.
    """

    rms: dict[int, tuple[float, bool]]
    rest: Floats


def mains_lines(tapered: Tapered, mains: float, signal: Sequence[float]) -> Hum:
    """The lines at multiples of the mains, beside a signal.

    Parameters
    ----------
    mains : float
        Hz, nominal.
    signal : sequence of float
        Lines of the signal, Hz; a multiple that falls on one is left out.
    """
    apart = (2 * LOBE + 1) * tapered.step
    orders = [
        k for k in ORDERS
        if k * mains < 0.45 * tapered.rate and all(abs(f - k * mains) > apart for f in signal)
    ]
    # the strongest line tells the exact frequency for all
    tops = {k: near(tapered, k * mains, _ASTRAY * k * mains) for k in orders}
    if tops:
        best = max(tops, key=lambda k: float(tapered.power[tapered.place(tops[k])]))
        exact = tops[best] / best
        if abs(exact / mains - 1.0) > _ASTRAY:
            exact = mains
    else:
        exact = mains
    rest = without(tapered, [*signal, *(k * exact for k in orders)])
    rms: dict[int, tuple[float, bool]] = {}
    for k in orders:
        size, noise = line_rms(tapered, rest, k * exact)
        seen = size * size > _CLEAR * noise * noise
        rms[k] = (size if seen else math.sqrt(_CLEAR) * noise, seen)
    return Hum(rms, rest)


def hum_items(channel: Channel, hum: Hum, mains: float, signal_rms: float = 0.0) -> list[Item]:
    """Each line in volts, or relative to the signal where there is one.

    Parameters
    ----------
    mains : float
        Hz.
    signal_rms : float
        As a fraction of full scale; 0 for none.
    """
    items = []
    for k, (rms, seen) in hum.rms.items():
        if not seen and k > _ALWAYS:
            continue
        frequency, bound = k * mains, "" if seen else "<"
        name = f"hum at {render(frequency, 'Hz')}"
        volts = channel.volts(rms)
        if signal_rms:
            level = channel.level(signal_rms)
            # relative hum has a place on the sheet only beside the level it is relative to
            reading = Reading("hum", frequency=frequency, level=level) if level else None
            items.append(channel.item(name, decibels(rms / signal_rms), "dB", bound, reading))
        elif volts is None:
            items.append(channel.item(name, decibels(rms * math.sqrt(2.0)), "dBFS", bound))
        else:
            items.append(
                channel.item(name, volts, "V", bound, Reading("hum", frequency=frequency))
            )
    return items


def pattern(rms: Mapping[int, tuple[float, bool]], mains: float) -> str:
    """What the lines say together; empty where none is seen.

    Parameters
    ----------
    rms : mapping of int to (float, bool)
        As in `Hum`.
    mains : float
        Hz.
    """
    seen = [k for k, (_, clear) in rms.items() if clear]
    # where a leading line is hidden, by the signal or by noise, its lack means nothing
    if not seen or not {1, 2} <= rms.keys():
        return ""
    counted = {k: size for k, (size, clear) in rms.items() if clear or k in (1, 2)}
    odd = math.hypot(*(size for k, size in counted.items() if k % 2))
    even = math.hypot(*(size for k, size in counted.items() if k % 2 == 0))
    first, twice = render(mains, "Hz"), render(2.0 * mains, "Hz")
    apart = decibels(odd) - decibels(even)
    if apart > _APART_DB:
        return (
            f"the mains lines stand at {first} and its odd multiples: stray pick-up, an earth "
            "loop or saturated iron, not the ripple of a full-wave supply"
        )
    if apart < -_APART_DB:
        return (
            f"the mains lines stand at {twice} and its multiples: ripple of a full-wave supply, "
            "not pick-up"
        )
    if not {1, 2} <= set(seen):
        return ""
    return (
        f"the mains lines stand at odd and even multiples of {first}: half-wave ripple (an "
        "open rectifier), or ripple and pick-up together"
    )


def other_mains(tapered: Tapered, mains: float, signal: Sequence[float]) -> str:
    """A note where the lines look like the other mains frequency, 60 Hz for 50 Hz or back.

    Parameters
    ----------
    mains : float
        Hz, as told.
    signal : sequence of float
        Lines of the signal, Hz.
    """
    other = 60.0 if mains == 50.0 else 50.0 if mains == 60.0 else 0.0
    if not other:
        return ""

    def most(base: float) -> float:
        hum = mains_lines(tapered, base, signal)
        # 300 Hz is a multiple of both
        return math.hypot(*(size for k, (size, seen) in hum.rms.items() if seen and k < 5))

    if most(other) > 3.0 * most(mains):
        return (
            f"lines stand at multiples of {other:g} Hz rather than {mains:g} Hz: "
            f"where the mains has {other:g} Hz, add --mains {other:g}"
        )
    return ""

"""Samples of a signal: silence, pilot, silence, the signal, silence, pilot, silence.

::

    from diagnose.stimulus.samples import layout, samples
    from diagnose.stimulus.signal import Signal

    tone = Signal("sine", seconds=5.0, level=-20.0, channels="left")
    played = samples(tone, 48000.0)             # (2, n) array, fractions of full scale
    found = circuits.signals.pilot.find(recorded, 48000.0, layout(tone, 48000.0).apart)
    found.at(layout(tone, 48000.0).begin)       # s in the recording where the tone starts
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.errors import InputError
from circuits.signals import pilot as pilots
from diagnose.stimulus.signal import USUAL_LEVEL, Signal, checked
from diagnose.stimulus.waves import STEP_DB, STEP_SECONDS, length, wave

Floats = NDArray[np.float64]

LEAD = 0.5
"""s of silence before the first pilot and after the last: players and recorders that start late
or stop early lose it and nothing else."""
LEAST_PILOT = -60.0
"""dBFS; a pilot is no softer, whatever the signal: it would be lost in noise."""


@dataclass(frozen=True)
class Layout:
    """Where what lies, s.

    Attributes
    ----------
    lead : float
        Silence before the first pilot; without pilots, before the signal.
    begin, end : float
        Of the signal, counted from the start of the first pilot, or without pilots from its own.
    apart : float
        From the start of the first pilot to that of the second; 0 without pilots.
    seconds : float
        The whole.
    """

    lead: float
    begin: float
    end: float
    apart: float
    seconds: float


def samples(signal: Signal, rate: float) -> Floats:
    """The whole signal.

    Parameters
    ----------
    signal : Signal
    rate : float
        Samples a second, a whole number.

    Returns
    -------
    (c, n) array
        One channel or two, as fractions of digital full scale, none beyond ±1.

    Raises
    ------
    InputError
        For a signal that cannot be played so.
    """
    made = wave(checked(signal, rate), rate)
    peak = float(np.abs(made).max(initial=0.0))
    if peak > 1.0:
        most = signal.played_level - 20.0 * math.log10(peak)
        raise InputError(
            f"at {signal.played_level:.4g} dBFS the peaks of this signal lie "
            f"{20.0 * math.log10(peak):.2g} dB beyond full scale",
            expected=f"a level of {math.floor(10.0 * most) / 10.0:g} dBFS or less",
        )
    plan = _layout(signal, rate, len(made))
    whole = np.zeros(round(plan.seconds * rate))
    first = round((plan.lead + plan.begin) * rate)
    whole[first : first + len(made)] = made
    if signal.pilots:
        size = 10.0 ** (pilot_level(signal) / 20.0)
        for start, down in ((0.0, signal.shaped), (plan.apart, not signal.shaped)):
            tone = size * pilots.pilot(rate, down)
            first = round((plan.lead + start) * rate)
            whole[first : first + len(tone)] = tone
    if signal.channels == "mono":
        return whole[None, :]
    silent = np.zeros_like(whole)
    left = silent if signal.channels == "right" else whole
    right = silent if signal.channels == "left" else whole
    return np.stack([left, right])


def layout(signal: Signal, rate: float) -> Layout:
    """Where what lies in the samples of a signal.

    Raises
    ------
    InputError
        As `samples`.
    """
    return _layout(signal, rate, length(checked(signal, rate), rate))


def _layout(signal: Signal, rate: float, count: int) -> Layout:
    seconds = count / rate
    if not signal.pilots:
        return Layout(LEAD, 0.0, seconds, 0.0, seconds + 2.0 * LEAD)
    begin = pilots.SECONDS + pilots.GAP
    end = begin + seconds
    apart = pilots.next_on_grid(end + pilots.GAP)
    return Layout(LEAD, begin, end, apart, apart + pilots.SECONDS + 2.0 * LEAD)


def pilot_level(signal: Signal) -> float:
    """Level of the pilots, dBFS: the signal's, of steps the first one's, of silence the usual."""
    if signal.kind == "silence":
        return USUAL_LEVEL if signal.level is None else max(signal.level, LEAST_PILOT)
    steps = max(round(signal.wanted_seconds / STEP_SECONDS), 1) if signal.kind == "steps" else 1
    return max(signal.played_level - STEP_DB * (steps - 1), min(LEAST_PILOT, signal.played_level))

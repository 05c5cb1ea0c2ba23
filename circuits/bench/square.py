"""The tilt of a square wave, from the small-signal response at its lines.

A square wave of frequency f is a sum of sines at f, 3f, 5f, … (Fourier); each passes with the gain
and phase that the stage has there. Lanczos' factors keep the cut sum from ringing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuits.bench.analysis import Answer, Response, SmallSignal
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.bench.small_signal import SILENCE
from circuits.moving import GENERATOR
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.spelling import node
from circuits.stage import Stage

QUANTITIES = ("tilt",)

LINES = 400
"""Odd lines of the wave, up to 799 times its frequency."""
_POINTS = 400
"""Points of half a period that the tilt is read from."""
_MOST = 2.0
"""A tilt beyond this, as a ratio, is a wave that has become pulses, and counts as this."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity in QUANTITIES


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """One a frequency and load; the level does not matter to a small-signal response."""
    sets: dict[tuple[float, float], list[int]] = {}
    for i, reading in readings:
        sets.setdefault((reading.load, reading.frequency), []).append(i)
    return [_request(stage, load, at, places) for (load, at), places in sets.items()]


def _request(stage: Stage, load: float, frequency: float, places: Sequence[int]) -> Request:
    orders = 2 * np.arange(LINES) + 1
    wanted = tuple(float(f) for f in orders * frequency)
    analysis = SmallSignal(GENERATOR, wanted, (node(stage.output),), ())

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Response)
        value = tilt(orders, result.nodes[:, 0])
        return [value for _ in places]

    return Request(Setup(load=load), (analysis,), tuple(places), read)


def tilt(orders: NDArray[np.int_], gains: NDArray[np.complex128]) -> float:
    """Tilt of a square wave behind gains at its odd lines, a ratio; 0 where nothing passes.

    Parameters
    ----------
    orders : (n,) array
        1, 3, 5, …
    gains : (n,) complex array
        Output over input at each of them.
    """
    largest = float(np.abs(gains).max())
    if largest <= SILENCE:
        return 0.0
    phase = np.linspace(0.0, np.pi, _POINTS)
    sizes = 4.0 / np.pi / orders * np.sinc(orders / (orders[-1] + 2.0)) * gains / largest
    half = np.imag(np.exp(1j * np.outer(phase, orders)) @ sizes)
    return float(np.clip(waveform.tilt(phase, half), -_MOST, _MOST))

"""A sound card as everything above sees it: what it plays while it records, and what was lost.

`diagnose.soundcard.portaudio` has the real one; tests put one in its place that is a circuit, a
clock and a wire. Samples are fractions of digital full scale, as everywhere in this house.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from circuits.errors import AmplifierError

Floats = NDArray[np.float64]


class Ended(AmplifierError):
    """Somebody ended what was being played."""

    def __init__(self) -> None:
        super().__init__("ended while it played")


@dataclass(frozen=True, eq=False)
class Recorded:
    """What came in while something was played.

    Attributes
    ----------
    samples : (c, n) array
        Of every input channel that was open.
    lost : tuple of str
        What the driver said of buffers that it lost; none of such a take is used.
    """

    samples: Floats
    lost: tuple[str, ...] = ()


class Card(Protocol):
    """Plays and records.

    Attributes
    ----------
    name : str
        By which a calibration is kept: the device that plays and the one that records.
    rate : float
        Samples a second, of both.
    bits : int
        Of a sample.
    one_clock : bool
        Whether one device plays and records, so that both have the same clock.
    slow : int
        How many of the usual tails of a recording have been too short for what comes back; told
        by whoever takes.
    ended : Event
        Set by another thread, it ends what is being played at once.
    """

    name: str
    rate: float
    bits: int
    one_clock: bool
    slow: int
    ended: threading.Event

    def play(self, samples: Floats, tail: float) -> Recorded:
        """Play a wave and record meanwhile.

        One of (n,) is played on the left output, one of (2, n) on the left and the right one;
        all others are silent.

        The recording starts before the wave and ends `tail` s after its last sample was handed
        over: what is on its way through buffers comes in by then.

        Raises
        ------
        Ended
        """

    def listening(self) -> AbstractContextManager[Callable[[float], Floats]]:
        """While the block runs, a function that gives the last so many s of the inputs, (c, n)."""

    def sounding(self, wave: Floats) -> AbstractContextManager[None]:
        """While the block runs, a wave, as in `play`, over and over."""

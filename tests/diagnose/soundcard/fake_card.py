"""A card that is not there: what it plays goes through a unit, a delay, a clock and lost buffers.

The unit is made of closed forms or of what the simulator says of a stage: a response, powers of
the wave (harmonics of known size), mains lines and noise.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnose.soundcard.card import Ended, Recorded

Floats = NDArray[np.float64]


@dataclass
class Unit:
    """Between the card's output and its input, in V.

    Attributes
    ----------
    response : callable
        Hz (n,) → complex gain.
    harmonics : mapping of order to ratio
        Relative to a sine of `at` V RMS at the output; orders 2 and 3.
    hum : mapping of Hz to V RMS
        At the output.
    noise : float
        V RMS at the output, in half the rate.
    """

    response: Callable[[Floats], NDArray[np.complex128]] = lambda f: np.ones(len(f), complex)
    harmonics: Mapping[int, float] = field(default_factory=dict)
    at: float = 1.0
    hum: Mapping[float, float] = field(default_factory=dict)
    noise: float = 0.0

    def out(self, volts: Floats, rate: float, seed: int = 0) -> Floats:
        """What comes out, peaks in V, of what goes in."""
        size = 1 << (2 * len(volts) - 1).bit_length()
        spectrum = np.fft.rfft(volts, size)
        spectrum *= self.response(np.fft.rfftfreq(size, 1.0 / rate))
        wave = np.fft.irfft(spectrum, size)[: len(volts)]
        x = wave / (self.at * math.sqrt(2.0))
        bent = np.zeros_like(x)
        # cos² = (1 + cos 2)/2, cos³ = (3 cos + cos 3)/4
        bent += 2.0 * self.harmonics.get(2, 0.0) * x**2
        bent += 4.0 * self.harmonics.get(3, 0.0) * x**3
        wave = wave + bent * self.at * math.sqrt(2.0)
        wave -= 3.0 * self.harmonics.get(3, 0.0) * x * self.at * math.sqrt(2.0)
        time = np.arange(len(wave)) / rate
        for frequency, rms in self.hum.items():
            wave += math.sqrt(2.0) * rms * np.sin(2.0 * math.pi * frequency * time + 0.3)
        if self.noise:
            wave += np.random.default_rng(seed).normal(0.0, self.noise, len(wave))
        return wave


@dataclass
class FakeCard:
    """A `Card`.

    Attributes
    ----------
    plays, records : float
        V RMS of a full-scale sine.
    pad, divider : float
        Between card and unit, and back.
    ppm : float
        How much faster the recorder's clock is.
    drops : list of (take, sample, count)
        Samples that are missing in the recording of a take; a negative count is silence put in.
    lost : mapping of take to str
        What the driver says of a take.
    right : Unit or None
        Between the card's right output and its right input; else that hears nothing.
    leak, own_leak : float
        Of either unit's output in the other's, and of either input of the card in the other one.
    y_lead : str
        ``both`` while the left output feeds both inputs, ``right`` while it feeds the right one
        beside the unit.
    """

    unit: Unit = field(default_factory=Unit)
    plays: float = 2.0
    records: float = 1.0
    pad: float = 1.0
    divider: float = 1.0
    rate: float = 48e3
    ppm: float = 0.0
    delay: float = 0.1234567
    own_noise: float = 0.0
    own_harmonics: Mapping[int, float] = field(default_factory=dict)
    drops: Sequence[tuple[int, int, int]] = ()
    lost: Mapping[int, str] = field(default_factory=dict)
    one_clock: bool = True
    name: str = "bench card"
    bits: int = 24
    slow: int = 0
    right: Unit | None = None
    leak: float = 0.0
    own_leak: float = 0.0
    y_lead: str = ""
    ended: threading.Event = field(default_factory=threading.Event)
    takes: list[float] = field(default_factory=list)
    sounded: list[float] = field(default_factory=list)

    def play(self, samples: Floats, tail: float = 0.4) -> Recorded:
        if self.ended.is_set():
            raise Ended
        number = len(self.takes)
        self.takes.append(float(np.abs(samples).max(initial=0.0)))
        lead, after = round(self.delay * self.rate), round(tail * self.rate)
        sides = np.atleast_2d(samples)
        played = np.zeros((2, lead + sides.shape[1] + after))
        played[: len(sides), lead : lead + sides.shape[1]] = sides
        jacks = played * self.plays * math.sqrt(2.0)
        outs = np.zeros_like(jacks)
        for k, unit in enumerate((self.unit, self.right)):
            if unit is not None:
                outs[k] = unit.out(jacks[k] / self.pad, self.rate, number + 500 * k) / self.divider
        outs = outs + self.leak * outs[::-1]
        if self.y_lead:
            outs[1] = jacks[0]
        if self.y_lead == "both":
            outs[0] = jacks[0]
        deaf = self.right is None and not self.y_lead
        heard = [self._input(wave, number, k) for k, wave in enumerate(outs[: 2 - deaf])]
        if deaf:
            heard.append(np.zeros_like(heard[0]))
        both = np.stack(heard)
        said = (self.lost[number],) if number in self.lost else ()
        return Recorded(both + self.own_leak * both[::-1], said)

    def _input(self, wave: Floats, number: int, side: int) -> Floats:
        if self.ppm:
            time = np.arange(len(wave)) / (1.0 + self.ppm * 1e-6)
            from scipy.interpolate import CubicSpline

            wave = CubicSpline(np.arange(len(wave)), wave)(time)
        x = wave / (self.records * math.sqrt(2.0))
        for order, ratio in self.own_harmonics.items():
            x = x + (2.0 * ratio * x**2 if order == 2 else 4.0 * ratio * x**3)
        noise = np.random.default_rng(1000 + number + 500 * side).normal(0.0, 1.0, len(x))
        x = x + (self.own_noise / self.records / math.sqrt(2.0) + 2.0**-25) * noise
        for take, at, count in self.drops:
            if take == number and count > 0:
                x = np.delete(x, slice(at, at + count))
            elif take == number:
                x = np.insert(x, at, np.zeros(-count))
        scale = 2.0 ** (self.bits - 1)
        made: Floats = np.clip(np.rint(x * scale), -scale, scale - 1) / scale
        return made

    @contextmanager
    def listening(self) -> Iterator[Callable[[float], Floats]]:
        yield lambda seconds: self.play(np.zeros(round(seconds * self.rate))).samples

    @contextmanager
    def sounding(self, wave: Floats) -> Iterator[None]:
        self.sounded.append(float(np.abs(wave).max()))
        yield

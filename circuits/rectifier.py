"""A winding, a rectifier and a reservoir under a steady load: mean voltage and ripple, closed form.

While the rectifier conducts, an e.m.f. E·cos ωt behind R feeds C, from which a current I is drawn:

    RC·v' + v = E·cos ωt - I·R

    v = E·(cos ωt + ωRC·sin ωt) / (1 + (ωRC)²) - I·R + K·exp(-t / RC)

and while it does not, the reservoir falls by I/C a second. A cycle closes where the e.m.f. meets
that falling line again. These are the equations whose solutions O. H. Schade drew as curves (Proc.
IRE 31, 1943, from memory); for a large reservoir and a small R they become the ripple I / (fC)
peak to peak, with f the mains frequency for half-wave and twice that for full-wave rectifiers
(every electronics handbook). The drop of the diodes is constant, and counts to E.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass

_ROOT_STEPS = 60
"""Steps of regula falsi at most; they close in faster than halvings, and a double has 53 bits."""
_CLOSE = 1e-10
"""Width, relative, at which an interval is a root."""
_ROUNDS = 60
"""Turns of the fixed point of voltage and ripple at most; it closes in by half or better."""
_SAME = 1e-5
"""Relative change of the voltage at which the fixed point stands; ripple has ten times that."""
_MOST_TURN = 10.0
"""What a turn multiplies or divides the e.m.f. by, at most."""
_UNUSUAL = 1e3
"""How far the reservoir may lie from what a large one would need for the same ripple."""
_PULSE_STEPS = 64
"""Points of one pulse of charging current: its lowest ten lines are then right to 1 %."""
_MEAN_OF_HALF = {1: 1.0 / math.pi, 2: 2.0 / math.pi}
"""Mean of a rectified cosine, by pulses a cycle."""
SWING_OF_LINE = math.pi * math.sqrt(2.0)
"""Peak to peak of a sawtooth over the RMS of its lowest line (Fourier)."""


@dataclass(frozen=True)
class Rectifier:
    """A winding, a rectifier and a reservoir.

    Attributes
    ----------
    emf : float
        Peak of the winding, or of each half of it, less the drop of the diodes, V.
    ohms : float
        Of winding and mains.
    farads : float
    mains : float
        Hz.
    pulses : {1, 2}
        A cycle: half-wave or full-wave.
    """

    emf: float
    ohms: float
    farads: float
    mains: float
    pulses: int

    def at(self, amps: float) -> tuple[float, float]:
        """Mean voltage and ripple peak to peak, V, where `amps` are drawn.

        A current that would leave nothing of the voltage by the time that the rectifier conducts
        again gives a straight line on from there, which may fall below zero.
        """
        if amps <= 0.0:
            return self.emf, 0.0
        if self._closes(-self._quarter, amps) < 0.0:
            # it conducts all the time: mean of the rectified e.m.f. less what R takes
            return self.emf * _MEAN_OF_HALF[self.pulses] - amps * self.ohms, self.emf
        begin = _root(lambda t: self._closes(t, amps), -self._quarter, 0.0)
        return self._read(begin, amps)

    def lines(self, amps: float, count: int) -> tuple[float, ...]:
        """Charging current at the lowest `count` multiples of its own frequency, A RMS.

        Narrow pulses of mean I have √2·I in every line (Fourier); these are a little wider.
        """
        if amps <= 0.0:
            return (0.0,) * count
        times, flows = self._pulse(amps)
        whole = sum(flows) or 1.0
        turn = 2.0 * math.pi * self.mains * self.pulses
        return tuple(
            math.sqrt(2.0) * amps * abs(sum(
                i * cmath.exp(-1j * n * turn * t) for i, t in zip(flows, times, strict=True)
            )) / whole
            for n in range(1, count + 1)
        )

    def rms(self, amps: float) -> float:
        """Current of the winding, A RMS, where `amps` are drawn."""
        if amps <= 0.0:
            return 0.0
        times, flows = self._pulse(amps)
        width = (times[1] - times[0]) * len(times)
        whole = sum(flows) or 1.0
        # the mean is what is drawn, so that a pulse cut into steps has the right charge
        shape = math.sqrt(len(flows) * sum(i * i for i in flows)) / abs(whole)
        return amps * shape * math.sqrt(self._pause / width)

    def _pulse(self, amps: float) -> tuple[list[float], list[float]]:
        """Middles of even steps of one pulse of charging current, s, and the current there, A."""
        always = self._closes(-self._quarter, amps) < 0.0
        begin = -self._quarter if always else _root(
            lambda t: self._closes(t, amps), -self._quarter, 0.0
        )
        end = self._quarter if always else self._end(begin, amps)
        step = (end - begin) / _PULSE_STEPS
        times = [begin + (k + 0.5) * step for k in range(_PULSE_STEPS)]
        return times, [(self._emf(t) - self._volts(t, begin, amps)) / self.ohms for t in times]

    @property
    def _quarter(self) -> float:
        return 0.25 / self.mains

    @property
    def _pause(self) -> float:
        return 1.0 / (self.mains * self.pulses)

    def _forced(self, t: float, amps: float) -> float:
        turn = 2.0 * math.pi * self.mains
        lag = turn * self.ohms * self.farads
        swing = (math.cos(turn * t) + lag * math.sin(turn * t)) / (1.0 + lag * lag)
        return self.emf * swing - amps * self.ohms

    def _volts(self, t: float, begin: float, amps: float) -> float:
        """Of the reservoir while the rectifier conducts, since `begin`."""
        left = self._emf(begin) - self._forced(begin, amps)
        return self._forced(t, amps) + left * math.exp(-(t - begin) / (self.ohms * self.farads))

    def _emf(self, t: float) -> float:
        return self.emf * math.cos(2.0 * math.pi * self.mains * t)

    def _end(self, begin: float, amps: float) -> float:
        """When the e.m.f. falls below the reservoir; at its crest at the earliest."""
        return _root(lambda t: self._emf(t) - self._volts(t, begin, amps), 0.0, self._quarter)

    def _closes(self, begin: float, amps: float) -> float:
        """What a cycle leaves more in the reservoir than it began with, V."""
        end = self._end(begin, amps)
        fallen = amps / self.farads * (self._pause - (end - begin))
        return self._volts(end, begin, amps) - fallen - self._emf(begin)

    def _read(self, begin: float, amps: float) -> tuple[float, float]:
        end = self._end(begin, amps)
        low, high = self._emf(begin), self._volts(end, begin, amps)
        # what charge comes in a cycle goes: ∫(E·cos ωt - v) dt = I·R·T while it conducts
        turn = 2.0 * math.pi * self.mains
        crest = self.emf * (math.sin(turn * end) - math.sin(turn * begin)) / turn
        conducting = crest - amps * self.ohms * self._pause
        falling = (low + high) / 2.0 * (self._pause - (end - begin))
        def charging(t: float) -> float:
            return self._emf(t) - self._volts(t, begin, amps) - amps * self.ohms

        # bottom and top are where the e.m.f. exceeds the reservoir by just I·R
        bottom = self._volts(_root(charging, begin, 0.0), begin, amps)
        top = self._volts(_root(charging, 0.0, end), begin, amps)
        return (conducting + falling) / self._pause, top - bottom


def chosen(
    volts: float, swing: float, amps: float, ohms: float, mains: float, pulses: int
) -> Rectifier:
    """The rectifier that gives a mean voltage and a ripple at a current.

    Parameters
    ----------
    volts, swing : float
        Mean, and ripple peak to peak, V, both positive.
    amps : float
        Drawn, A, positive.
    ohms, mains, pulses
        As `Rectifier`.
    """
    farads = usual = amps / (swing * mains * pulses)
    emf = volts + swing / 2.0 + 4.0 * ohms * amps
    for _ in range(_ROUNDS):
        rectifier = Rectifier(emf, ohms, farads, mains, pulses)
        mean, ripple = rectifier.at(amps)
        if abs(mean - volts) < _SAME * volts and abs(ripple - swing) < 10.0 * _SAME * swing:
            break
        # behind ohms that let through hardly anything a turn would go off beyond all numbers
        emf *= min(max(volts / mean, 1.0 / _MOST_TURN), _MOST_TURN) if mean > 0.0 else 2.0
        farads *= ripple / swing
        farads = min(max(farads, usual / _UNUSUAL), usual * _UNUSUAL)
    return rectifier


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    """Where a function of time crosses zero (regula falsi, Illinois); an end where it does not."""
    below, above = excess(low), excess(high)
    if below * above >= 0.0:
        return low if abs(below) < abs(above) else high
    reach = (high - low) * _CLOSE
    for _ in range(_ROOT_STEPS):
        middle = (low * above - high * below) / (above - below)
        here = excess(middle)
        if here * above < 0.0:
            low, below, high, above = high, above, middle, here
        else:
            below *= 0.5
            high, above = middle, here
        if here == 0.0 or abs(high - low) < reach:
            break
    return high

"""Pilots: a short sound before and after a signal, by which a recording of it is found.

A pilot is a chirp from 1 to 3 kHz in a quarter of a second, faded in and out; its counterpart
runs down. No signal of the bench looks like either, and their correlation has a peak of half a
millisecond, so that a pilot is found under noise and hum, through whatever a unit does to its
level and phase. Of its phase the time between two pilots is known to nanoseconds, and with that
how far the clocks of player and recorder differ.

Pilots stand a whole multiple of `GRID` apart, so that a recording alone tells how far that was.
Up first says that the signal was played as it is, down first that it went through the inverse of
the RIAA replay curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.errors import InputError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

SECONDS = 0.25
"""Length of a pilot, s."""
ENDS = (1e3, 3e3)
"""Hz, between which it runs: low enough for 8000 samples a second, and clear of the mains."""
GRID = 0.5
"""s; the start of the second pilot lies a whole multiple of it after that of the first."""
GAP = 0.25
"""s of silence between a pilot and the signal, at least: what a unit makes of the one has died
away before the other."""
LEAST_CONFIDENCE = 0.5
"""Correlation, from 0 to 1, from which a pilot is one. Noise reaches 0.2 in half a minute; a
pilot through the RIAA curve, which bends it as much as any unit does, has 0.9."""
_EDGE = 0.2
"""Part of the pilot that either fade takes."""
_MIDDLE = sum(ENDS) / 2.0
"""Hz of its spectrum's middle."""
_BAND = (700.0, 3400.0)
"""Hz; what lies outside does not count for how well a place correlates."""
_COARSE = 4e3
"""Hz; up to there pilots are looked for at first."""
_FINE = 96e3
"""Samples a second, at least, between which the peak of a correlation is read as a parabola."""
_QUIET = 1e-9
"""Of the greatest power in the recording: where less stands, there is no pilot, only rounding."""
_MOST_OFF = 0.02
"""Ratio of clocks beyond which a pilot is no more taken for one: 2 %, a tape that runs badly."""
_ROUNDS = 12
"""How often at most the pilots are found anew by the clock that they gave; at 3000 ppm and a
second apart half of the error is left by each round."""
_SETTLED = 1e-10
"""Change of the ratio after which nothing more changes."""
_NEXT_BEST = 0.85
"""Of several places that correlate so well, relative to the best, the first is taken."""


class NoPilots(InputError):
    """The recording holds no pilot at all."""


@dataclass(frozen=True)
class Alignment:
    """Where in a recording a signal lies.

    Attributes
    ----------
    start : float
        s in the recording where the first pilot starts, to a fraction of a sample.
    ratio : float
        Length of the signal as recorded over that as played, by the nominal rates of both: above
        1 the recorder's clock runs faster than the player's.
    apart : float
        s from the start of the first pilot to that of the second, as played.
    confidence : float
        Correlation of the worse of both pilots, 0 to 1.
    shaped : bool
        Whether the signal was played through the inverse of the RIAA replay curve.
    channel : int
        In which channel the pilots are clearest.
    phase : float
        rad by which the recording turned the pilot's middle frequency, in −π to π; near ±π where
        it turns the polarity.
    """

    start: float
    ratio: float
    apart: float
    confidence: float
    shaped: bool
    channel: int
    phase: float

    @property
    def ppm(self) -> float:
        """How much faster the recorder's clock is, in parts per million."""
        return (self.ratio - 1.0) * 1e6

    def at(self, seconds: float) -> float:
        """Where in the recording lies what was played so many s after the first pilot's start."""
        return self.start + seconds * self.ratio


@dataclass(frozen=True)
class _Seen:
    """A pilot in a channel: s of its start, correlation, phase at that place."""

    start: float
    correlation: float
    phase: float


def pilot(rate: float, down: bool = False) -> Floats:
    """The samples of a pilot, of peak 1.

    Parameters
    ----------
    rate : float
        Samples a second, 8000 or more.
    down : bool
        Whether it runs from the high end to the low one.

    Returns
    -------
    (n,) array
    """
    return _chirp(rate, down, 1.0).real.copy()


def next_on_grid(seconds: float) -> float:
    """The least multiple of `GRID` from there on, s."""
    return GRID * math.ceil(seconds / GRID - 1e-9)


def find(
    samples: Floats, rate: float, apart: float = 0.0, order: Sequence[bool] = (False, True)
) -> Alignment:
    """Both pilots of a recording.

    Parameters
    ----------
    samples : (c, n) or (n,) array
        Any unit; the channel in which they are clearest is taken.
    rate : float
        Samples a second, nominal.
    apart : float
        s between the starts of the pilots as played; 0 for the multiple of `GRID` that is nearest
        to what the recording holds.
    order : sequence of bool
        Whether a recording is looked for that was shaped: by default either.

    Returns
    -------
    Alignment

    Raises
    ------
    NoPilots
        Where none is there.
    InputError
        Where one of the pilots is not there, or both do not fit together.
    """
    channels = np.atleast_2d(np.asarray(samples, dtype=float))
    if rate < 8e3 or channels.shape[1] < 2.0 * SECONDS * rate:
        raise _missing(NoPilots, "is too short for two pilots", 0.0)
    best: tuple[_Seen, _Seen, bool, int] | None = None
    nearly: list[tuple[float, bool]] = []
    for k, wave in enumerate(channels):
        ups, downs = _places(wave, rate)
        nearly += [(one.correlation, False) for one in ups[:1]]
        nearly += [(one.correlation, True) for one in downs[:1]]
        for shaped in order:
            pair = _pair(downs if shaped else ups, ups if shaped else downs)
            if pair and (best is None or _worse(pair) > _worse(best[:2])):
                best = (*pair, shaped, k)
    if best is None:
        found = max((c for c, _ in nearly), default=0.0)
        # one kind alone stands clear: the other was cut off, or both are something else
        seen = {down for correlation, down in nearly if correlation >= LEAST_CONFIDENCE}
        if len(seen) == 1:
            raise _missing(InputError, "holds one pilot but not a second pilot", found)
        raise _missing(NoPilots, "does not hold two pilots", found)
    first, second, shaped, k = best
    return _aligned(channels[k], rate, (first, second), shaped, k, apart)


def _worse(pair: Sequence[_Seen]) -> float:
    return min(one.correlation for one in pair)


def _missing(kind: type[InputError], how: str, best: float) -> InputError:
    beside = f" (the best place correlates by {best:.2f})" if best else ""
    return kind(
        f"this recording {how}{beside}",
        expected="a recording that begins before the first pilot and ends after the last one, "
        "louder than the noise and not clipped",
    )


def _chirp(rate: float, down: bool, ratio: float) -> Complexes:
    """A pilot with its quadrature, stretched by the ratio of clocks."""
    count = round(SECONDS * rate * ratio)
    time = np.arange(count) / (rate * ratio)
    low, high = ENDS
    if down:
        low, high = high, low
    # the phase is 0 in the middle, so that up and down have the same there
    off = time - SECONDS / 2.0
    angle = 2.0 * math.pi * (_MIDDLE * off + (high - low) / SECONDS * off**2 / 2.0)
    edge = np.minimum(time, SECONDS - time) / (_EDGE * SECONDS)
    shape = np.sin(0.5 * math.pi * np.clip(edge, 0.0, 1.0)) ** 2
    made: Complexes = shape * np.exp(1j * angle)
    return made


def _places(wave: Floats, rate: float) -> tuple[list[_Seen], list[_Seen]]:
    """Where pilots up and pilots down may start, the earliest first, coarsely."""
    import scipy.fft

    whole = scipy.fft.rfft(wave, 2 * _fast((len(wave) + round(SECONDS * rate)) // 2 + 1))
    step = rate / (2 * len(whole) - 2)
    kept = min(len(whole), math.ceil(_COARSE / step))
    # positive frequencies alone, of which as many samples a second are enough as they reach
    length, coarse = _fast(kept), _fast(kept) * step
    spectrum = np.zeros(length, dtype=complex)
    spectrum[:kept] = whole[:kept]
    frequencies = np.arange(length) * step
    spectrum[(frequencies < _BAND[0]) | (frequencies > _BAND[1])] = 0.0
    chirps = [_chirp(coarse, down, 1.0) for down in (False, True)]
    size = len(chirps[0])
    inside = np.fft.ifft(spectrum)[: math.floor(len(wave) / rate * coarse)]
    sums = np.concatenate([[0.0], np.cumsum(inside.real**2 + inside.imag**2)])
    power = sums[size:] - sums[:-size]
    least = _QUIET * float(power.max(initial=0.0)) + 1e-300
    made = []
    for chirp in chirps:
        score = np.fft.ifft(spectrum * np.fft.fft(chirp, length).conj())[: len(power)]
        own = float(np.square(np.abs(chirp)).sum())
        fit = np.abs(score) / np.sqrt(own * np.maximum(power, least))
        fit[power <= least] = 0.0
        made.append(_tops(fit, size, coarse))
    return made[0], made[1]


def _tops(fit: Floats, size: int, rate: float) -> list[_Seen]:
    """The places that correlate best, one within a pilot's length, the earliest first."""
    best = float(fit.max(initial=0.0))
    if best < LEAST_CONFIDENCE:
        place = int(fit.argmax()) if fit.size else 0
        return [_Seen(place / rate, best, 0.0)]  # too poor to be one, but told of
    tops: list[_Seen] = []
    rest = fit.copy()
    while len(tops) < 20 and float(rest.max()) >= max(_NEXT_BEST * best, LEAST_CONFIDENCE):
        place = int(rest.argmax())
        tops.append(_Seen(place / rate, float(rest[place]), 0.0))
        rest[max(place - size, 0) : place + size] = 0.0
    return sorted(tops, key=lambda one: one.start)


def _pair(firsts: Sequence[_Seen], seconds: Sequence[_Seen]) -> tuple[_Seen, _Seen] | None:
    """The first pilot and the next of the other kind behind it."""
    for one in firsts:
        if one.correlation < LEAST_CONFIDENCE:
            continue
        for other in seconds:
            behind = other.start - one.start > SECONDS
            if other.correlation >= LEAST_CONFIDENCE and behind:
                return one, other
    return None


def _aligned(
    wave: Floats, rate: float, pair: tuple[_Seen, _Seen], shaped: bool, channel: int, apart: float
) -> Alignment:
    ratio, seen = 1.0, pair
    wanted = apart or GRID * max(round((pair[1].start - pair[0].start) / GRID), 1)
    for _ in range(_ROUNDS):
        early = _exact(wave, rate, seen[0].start, shaped, ratio)
        late = _exact(wave, rate, seen[1].start, not shaped, ratio)
        seen = (early, late)
        # what the envelopes leave open the phases tell, which a unit turns alike in both
        turned = math.remainder(late.phase - early.phase, 2.0 * math.pi)
        between = late.start - early.start - turned / (2.0 * math.pi * _MIDDLE)
        change = between / wanted - ratio
        ratio += change
        if abs(ratio - 1.0) > _MOST_OFF:
            raise InputError(
                f"the pilots of this recording are {between:.4g} s apart instead of {wanted:.4g} s",
                expected="a recording of the whole signal, without a pause or a gap, at the "
                "speed at which it was played",
            )
        if abs(change) < _SETTLED:
            break
    return Alignment(
        early.start, ratio, wanted, min(1.0, early.correlation, late.correlation), shaped, channel,
        early.phase,
    )


def _exact(wave: Floats, rate: float, start: float, down: bool, ratio: float) -> _Seen:
    """A pilot that is known to a millisecond, to a fraction of a sample.

    The peak of the correlation's envelope between three samples, which lie far closer than its
    width.
    """
    chirp = _chirp(rate, down, ratio)
    size, reach = len(chirp), math.ceil(0.02 * rate)
    first = round(start * rate) - reach
    part = np.zeros(size + 2 * reach)
    low, high = max(first, 0), min(first + len(part), len(wave))
    part[low - first : high - first] = wave[low:high]
    length = _fast(len(part) + size)
    spectrum = np.fft.fft(part, length)
    frequencies = np.fft.fftfreq(length, 1.0 / rate)
    spectrum[(frequencies < _BAND[0]) | (frequencies > _BAND[1])] = 0.0
    fine = math.ceil(_FINE / rate)
    cross = np.zeros(length * fine, dtype=complex)
    cross[: length // 2] = (spectrum * np.fft.fft(chirp, length).conj())[: length // 2]
    score = np.fft.ifft(cross)[: 2 * reach * fine + 1] * fine
    sizes = np.abs(score)
    place = int(np.clip(sizes.argmax(), 1, len(sizes) - 2))
    left, top, right = np.log(sizes[place - 1 : place + 2] + 1e-300)
    bend = left - 2.0 * top + right
    off = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    off = float(min(max(off, -1.0), 1.0))
    # where the wave starts later than a sample, its phase there is less than at that sample
    turn = float(np.angle(score[place])) + 2.0 * math.pi * _MIDDLE * off / rate / fine
    inside = np.fft.ifft(spectrum)[place // fine : place // fine + size]
    own = float(np.square(np.abs(chirp)).sum()) * float(np.square(np.abs(inside)).sum())
    correlation = float(sizes[place]) / math.sqrt(max(own, 1e-300))
    return _Seen(
        (first + (place + off) / fine) / rate, correlation, math.remainder(turn, 2.0 * math.pi)
    )


def _fast(count: int) -> int:
    """A length from there on that is transformed quickly."""
    import scipy.fft

    return int(scipy.fft.next_fast_len(count))

"""What a recording holds: a sine, two tones, many tones, a square wave, or no signal.

Told by the lines that stand clear of the noise. The bounds are judgement: they only choose what
is read, and whoever knows better says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from circuits.errors import InputError
from circuits.signals.spectrum import Tapered, floor_of, peaks

SWEEP = "sweep"
"""A word of `SIGNALS` that is told by more than a spectrum; see `circuits.signals.ridge`."""
SIGNALS = ("sine", "difference tone", "modulation", "tones", "square", "silence", SWEEP)

_QUIET_DB = -40.0
"""Below this level, dB of full scale, a mains line is taken for hum rather than for a signal."""
_MAINS = (50.0, 60.0)
"""Hz; hum is known as such even where the other mains is told."""
_MAINS_ORDERS = 12
"""Multiples of the mains frequency that are taken for hum."""
_GAP_DB = 15.0
"""Tones stand this far above whatever else there is."""
_EQUAL_DB = 3.0
"""How far two tones may miss the ratio that their test has, dB."""
_ALONE_DB = 6.0
"""A sine stands this far above any line that is no harmonic of it."""
_FOUR_TO_ONE_DB = 20.0 * math.log10(4.0)
"""Ratio of the low tone to the high one in a test of modulation (SMPTE RP 120, IEC 60268-3)."""
Line = tuple[float, float]
"""Frequency, Hz, and peak amplitude as a fraction of full scale."""


@dataclass(frozen=True)
class Signal:
    """What was recognised.

    Attributes
    ----------
    kind : str
        One of `SIGNALS`.
    tones : tuple of float
        Frequencies of what was fed in, Hz, nearly; the lower one first.
    lines : tuple of Line
        All that stand clear of the noise, the greatest first.
    """

    kind: str
    tones: tuple[float, ...]
    lines: tuple[Line, ...]


def recognise(tapered: Tapered, mains: float, told: str = "") -> Signal:
    """What a wave holds.

    Parameters
    ----------
    tapered : Tapered
        Of the louder channel.
    mains : float
        Hz.
    told : str
        One of `SIGNALS`, or empty for whatever it looks like.

    Raises
    ------
    InputError
        When it cannot be told, or what was told is not there.
    """
    if told == SWEEP:
        raise no_signal(told)
    lines = tuple(peaks(tapered))
    kind = told or _kind(tapered, lines, mains)
    tones = _tones(kind, tapered, lines)
    if not tones and kind != "silence":
        raise no_signal(kind)
    return Signal(kind, tones, lines)


def no_signal(kind: str) -> InputError:
    """What is said where a recording does not hold what was told."""
    return InputError(f"there is no {kind} in this recording",
                      expected=f"another word for --signal: {', '.join(SIGNALS)}")


def _kind(tapered: Tapered, lines: Sequence[Line], mains: float) -> str:
    if not lines:
        return "silence"
    first, size = lines[0]
    powers = [a * a for _, a in lines]
    # all of the power counts, whether in lines or in noise
    share = powers[0] / (2.0 * float(tapered.power[1:].sum()))
    quiet = 20.0 * math.log10(size) < _QUIET_DB
    if quiet and (share < 0.5 or any(is_mains(first, base) for base in (mains, *_MAINS))):
        return "silence"
    if _is_square(tapered, lines):
        return "square"
    pair = _tones("modulation", tapered, lines)
    if len(lines) > 1 and (powers[0] + powers[1]) > 0.8 * sum(powers) and pair:
        low, high = sorted(lines[:2])
        ratio = 20.0 * math.log10(low[1] / high[1])
        if high[0] < 2.0 * low[0] and abs(ratio) <= _EQUAL_DB:
            return "difference tone"
        if high[0] > 10.0 * low[0] and abs(ratio - _FOUR_TO_ONE_DB) <= _EQUAL_DB:
            return "modulation"
    alone = not pair or 20.0 * math.log10(size / _at(lines, _other(pair, first), 0.0)) > _ALONE_DB
    if powers[0] > 0.5 * sum(powers) and share > 0.1 and alone:
        return "sine"
    if len(_tones("tones", tapered, lines)) >= 3:
        return "tones"
    raise InputError("what this recording holds cannot be told",
                     expected=f"--signal with one of: {', '.join(SIGNALS)}")


def is_mains(frequency: float, mains: float) -> bool:
    """Whether a frequency is one of the first multiples of the mains."""
    order = round(frequency / mains)
    return 1 <= order <= _MAINS_ORDERS and abs(frequency / mains - order) < 0.005 * order


def _other(pair: tuple[float, ...], first: float) -> float:
    return pair[1] if pair[0] == first else pair[0]


def _at(lines: Sequence[Line], frequency: float, within: float) -> float:
    return max((a for f, a in lines if abs(f - frequency) <= within), default=0.0)


def _is_square(tapered: Tapered, lines: Sequence[Line]) -> bool:
    """Odd harmonics as 1/k, and next to no even ones."""
    first, size = lines[0]
    within = 2.0 * tapered.step
    seen = [k for k in (3, 5, 7, 9) if k * first < 0.45 * tapered.rate]
    odd = [_at(lines, k * first, k * within) * k / size for k in seen]
    even = [_at(lines, k * first, k * within) / size for k in (2, 4)]
    return len(seen) >= 2 and all(0.75 < x < 1.25 for x in odd) and max(even) < 0.1


def _tones(kind: str, tapered: Tapered, lines: Sequence[Line]) -> tuple[float, ...]:
    """The tones of a signal of that kind, rising; none where it has not enough lines."""
    if kind == "silence" or not lines:
        return ()
    if kind in ("sine", "square"):
        return (lines[0][0],)
    if kind in ("difference tone", "modulation"):
        first = lines[0][0]
        # a harmonic of the first is no second tone
        second = next((f for f, _ in lines[1:] if not _multiple(f, first, tapered.step)), 0.0)
        return tuple(sorted((first, second))) if second else ()
    levels = [20.0 * math.log10(a) for _, a in lines]
    lobe = 15.0 * float(floor_of(tapered.power).mean())
    levels.append(10.0 * math.log10(2.0 * lobe + 1e-30))
    drops = [a - b for a, b in pairwise(levels)]
    count = max(range(2, len(drops)), key=lambda k: drops[k], default=0)
    if not count or drops[count] < _GAP_DB:
        return ()
    return tuple(sorted(f for f, _ in lines[: count + 1]))


def _multiple(frequency: float, of: float, step: float) -> bool:
    order = round(frequency / of)
    return 2 <= order <= 10 and abs(frequency - order * of) < 2.0 * order * step

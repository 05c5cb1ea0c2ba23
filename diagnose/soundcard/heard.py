"""One take as it came back: where in the recording the wave lies, and whether it is whole.

What is played stands between two pilots. Where these are nearer or farther apart than the clocks
allow, or the wave does not go on as it began, a buffer was lost: such a take is never read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from circuits.errors import AmplifierError, InputError
from circuits.signals import pilot as pilots
from circuits.signals.recording import Recording, at_full_scale
from circuits.signals.spectrum import Complexes, Floats, fit, quick_length, taper, window
from circuits.signals.sweep import Sweep
from circuits.signals.swept import stretched
from diagnose.soundcard.card import Card, Recorded
from diagnose.soundcard.played import AHEAD, LEAD, Played, on_sides

TAILS = (0.7, 1.5, 2.5)
"""s that are recorded beyond what is played, in one take after the other, of which one must be
whole: what lies in the buffers of a slow way comes in too late for the first."""
TWO_CLOCKS = 400e-6
"""How far the ratio of two clocks may be from 1: crystals are off by 100 millionths each at most
(common practice), and twice that to be sure."""
_SAMPLE = 0.5
"""Samples between the pilots by which one clock may differ from itself."""
_DRIFT = 3.0
"""Samples between the pilots by which the wave may say another ratio of clocks than they do: what
was lost beside the wave shifts a pilot and no tone."""
_TURN = 0.1
"""rad by which a tone may be ahead of itself from one block to another."""
_BLOCK = 0.05
"""s in which what tones leave over is looked at."""
_PERIODS = 6.0
"""Periods of a tone whose phase is told of a block, at least."""
_CLEAR_HZ, _LEAST_BLOCKS = 500.0, 4
"""Hz from which a tone's phase is told well in a block, and how many blocks it takes."""
_UNEVEN = 6.0
"""What is left of a block over the middle one of all blocks, RMS, from which it is uneven."""
_TELLING = 0.01
"""Of the tones: less than that left over in a block is no lost buffer, whatever the others have."""
_LOOK, _FIRST_LOOK = 0.08, 100.0
"""s of a sweep that are looked at, one after the other, and Hz from which on."""
_OF_IT = 0.5
"""Part of a look that is the sweep's own, from which its phase is told."""
_BEND = 1.0
"""rad by which the phase of a sweep may turn more from one look to the next than before: a unit
that resonates ten times turns it by half as much, 50 samples at 1 kHz by six times."""
_HARMONICS = 10
"""Harmonics of a single tone that belong to it."""
_STILL = 48
"""Samples of exactly the same value in a row: a converter that works has noise in its last bits."""
_LIVELY = 0.5
"""Part of the samples that differ from the one before, where a converter's noise moves its bits."""
_LOUD_HUM_DB = -30.0
"""Mains lines over the signal from which the leads are to be looked at."""


class NotTaken(AmplifierError):
    """A take that could not be made whole; nothing of it is used."""


@dataclass(frozen=True, eq=False)
class Heard:
    """A whole take.

    Attributes
    ----------
    wave : (n,) array
        The settled wave as recorded on the input of its side, fractions of full scale.
    ratio : float
        How much longer it is as recorded than as played.
    tones : tuple of float
        Frequencies of what was played, Hz by the recorder's clock.
    clipped : int
        Places where the input reaches full scale.
    peak : float
        Of the whole recording, a fraction of full scale.
    again : tuple of str
        Why takes before this one were thrown away.
    other : (n,) array or None
        What the input of the other side heard meanwhile; None of a card with one input.
    """

    wave: Floats
    rate: float
    ratio: float
    tones: tuple[float, ...]
    clipped: int
    peak: float
    again: tuple[str, ...] = ()
    other: Floats | None = None

    def recording(self) -> Recording:
        """The wave as a recording that can be measured."""
        return Recording("take", self.wave[None, :], self.rate, 0, len(self.wave) / self.rate)

    def amplitudes(self, mains: float = 0.0) -> Floats:
        """Peaks of the played tones, fractions of full scale.

        Parameters
        ----------
        mains : float
            Hz; lines of hum are kept apart from the tones. 0 for none.
        """
        made: Floats = np.abs(self.here(mains))
        return made

    def beside(self, mains: float = 0.0) -> Complexes:
        """What the other side's input hears of the played tones, peaks with their phase.

        Phases are against the same moment as those of `here`. As `amplitudes`; for a card of two
        inputs.
        """
        assert self.other is not None
        return _fitted(self.other, self.rate, self.tones, mains)[1][: len(self.tones)]

    def here(self, mains: float = 0.0) -> Complexes:
        """As `amplitudes`, with their phase."""
        return _fitted(self.wave, self.rate, self.tones, mains)[1][: len(self.tones)]


def take(card: Card, played: Played, mains: float = 50.0) -> Heard:
    """Play and record on the left until one take is whole.

    Parameters
    ----------
    mains : float
        Hz, whose lines belong to no lost buffer.

    Raises
    ------
    NotTaken
        After as many takes as `TAILS` that were not.
    """
    (heard,) = take_sides(card, {0: played}, mains).values()
    if isinstance(heard, NotTaken):
        raise heard
    return heard


def take_sides(
    card: Card, played: Mapping[int, Played], mains: float = 50.0
) -> dict[int, Heard | NotTaken]:
    """Play and record on each side its own, at once, until a take of each is whole.

    Parameters
    ----------
    played : mapping
        By side, 0 for left and 1 for right; they last alike.
    mains : float
        As `take`.

    Returns
    -------
    dict
        Of each side its first whole take, or why none of as many as `TAILS` was: a channel that
        is dead costs the other one nothing.
    """
    samples = on_sides(played)
    made: dict[int, Heard | NotTaken] = {}
    why: dict[int, list[str]] = {side: [] for side in played}
    for number in range(len(TAILS)):
        place = min(card.slow + number, len(TAILS) - 1)
        recorded = card.play(samples, TAILS[place])
        for side in [side for side in played if side not in made]:
            heard = whole(recorded, played[side], card.rate, card.one_clock, mains, side)
            if isinstance(heard, str):
                why[side].append(heard)
            else:
                card.slow = place
                made[side] = replace(heard, again=tuple(why[side]))
        if len(made) == len(played):
            break
    for side, said in why.items():
        if side not in made:
            made[side] = NotTaken(
                f"{len(TAILS)} takes were thrown away, the last because {said[-1]}")
    return made


def whole(
    recorded: Recorded, played: Played, rate: float, one_clock: bool, mains: float = 50.0,
    side: int = 0,
) -> Heard | str:
    """A take, or why it cannot be used.

    Parameters
    ----------
    rate : float
        Samples a second.
    one_clock : bool
        Whether one device played and recorded.
    side : int
        Of the input, 0 for left and 1 for right.
    """
    if recorded.lost:
        return f"the driver lost buffers ({', '.join(recorded.lost)})"
    if not recorded.samples.size:
        return "nothing came in"
    if side >= len(recorded.samples):
        return "the card has no right input"
    wave = recorded.samples[side]
    if played.apart:
        try:
            found = pilots.find(wave, rate, played.apart, (False,))
        except InputError as error:
            return ("the pilots before and after it are not both there "
                    f"({str(error).splitlines()[0]})")
        off = (found.ratio - 1.0) * played.apart * rate
        if abs(off) > (_SAMPLE if one_clock else TWO_CLOCKS * played.apart * rate):
            return f"it came back {abs(off):.0f} samples {'longer' if off > 0 else 'shorter'}"
        first, last = (round(found.at(s) * rate) for s in (played.begin, played.end))
        ratio = found.ratio
    else:
        ratio = 1.0
        first = round(LEAD * rate)
        last = min(first + len(played.samples), len(wave))
    part = wave[max(first, 0) : last]
    part = part[: quick_length(len(part))]
    tones = tuple(frequency / ratio for frequency, _ in played.tones)
    if played.sweep is not None:
        reason = _jumps(part, rate, played.sweep, ratio)
    elif tones:
        reason = _turned(part, rate, played, ratio) or _uneven(part, rate, tones, mains)
    else:
        reason = _still(part)
    if reason:
        return reason
    one = Recording("take", part[None, :], rate, 0, len(part) / rate)
    beside = recorded.samples[1 - side] if len(recorded.samples) > 1 else None
    other = None if beside is None else beside[max(first, 0) :][: len(part)]
    return Heard(part, rate, ratio, tones, at_full_scale(one)[0], float(np.abs(wave).max()),
                 other=other)


def _fitted(
    wave: Floats, rate: float, tones: tuple[float, ...], mains: float
) -> tuple[list[float], Complexes]:
    """Frequencies of the tones first, then of what belongs to them; their complex amplitudes."""
    lines = list(tones)
    further = [tones[0] * k for k in range(2, _HARMONICS + 1)] if len(tones) == 1 else []
    further += [mains * k for k in range(1, _HARMONICS + 1)] if mains else []
    step = rate / len(wave)
    for frequency in further:
        # what lies too close to a line is part of it
        if frequency < 0.45 * rate and all(abs(frequency - f) > 2.0 * step for f in lines):
            lines.append(frequency)
    return lines, fit(taper(wave, rate), lines).amplitudes


def _turned(wave: Floats, rate: float, played: Played, ratio: float) -> str:
    """Why the clearest tone is not one tone from its beginning to its end; empty where it is."""
    frequency = max(played.tones, key=lambda tone: (tone[0] >= _CLEAR_HZ, tone[1]))[0] / ratio
    # the image of a low tone would beat with it in a block of few periods
    seconds = max(_BLOCK, _PERIODS / frequency)
    count = round(seconds * rate)
    size = len(wave) // count
    if size < _LEAST_BLOCKS:
        return ""
    shape = window(count)
    blocks = wave[: size * count].reshape(size, count) * shape
    turn = np.exp(-2j * math.pi * frequency / rate * np.arange(size * count))
    found = (blocks * turn.reshape(size, count)).sum(axis=1)
    angle = np.unwrap(np.angle(found))
    place = np.arange(size)
    slope, offset = np.polyfit(place, angle, 1)
    if float(np.abs(angle - slope * place - offset).max()) > _TURN:
        return "a tone jumps in its phase: a lost buffer"
    # rad a block by which the wave is faster than the pilots say, as samples between them
    off = slope / (2.0 * math.pi * frequency * seconds) * played.apart * rate
    if abs(off) > _DRIFT:
        return f"the wave and the pilots differ by {abs(off):.0f} samples: a lost buffer"
    return ""


def _jumps(wave: Floats, rate: float, sweep: Sweep, ratio: float) -> str:
    """Why a sweep does not go on as it began; empty where it does.

    Against the sweep as played the phase of a unit turns slowly; samples that are missing turn it
    at once, and leave it there.
    """
    made = stretched(sweep, ratio)
    first = AHEAD * ratio + float(made.when(_FIRST_LOOK / ratio))
    last = AHEAD * ratio + float(made.when(made.high))
    count = round(_LOOK * rate)
    shape = window(count)
    turns = []
    for start in np.arange(round(first * rate), round(last * rate) - count, count):
        part = wave[start : start + count]
        if len(part) < count:
            break
        since = (start + np.arange(count)) / rate - AHEAD * ratio
        turn = 2.0 * math.pi * made.first * made.constant * np.exp(since / made.constant)
        turned = complex((part * shape * np.exp(-1j * turn)).sum())
        whole = float(np.sqrt(np.square(part * shape).sum() * np.square(shape).sum() / 2.0))
        if abs(turned) < _OF_IT * whole:
            return ""  # what comes back is not the sweep: others say so
        turns.append(turned)
    # what a delay adds grows evenly along the logarithm: the second difference tells a jump
    if len(turns) <= _LEAST_BLOCKS:
        return ""
    bend = np.abs(np.diff(np.unwrap(np.angle(turns)), 2))
    if float(bend.max()) > _BEND:
        at = (float(bend.argmax()) + 1.5) * _LOOK + first
        return f"the sweep jumps {at:.2g} s in: a lost buffer"
    return ""


def _uneven(wave: Floats, rate: float, tones: tuple[float, ...], mains: float) -> str:
    """Why a wave of tones is not one wave from its beginning to its end; empty where it is."""
    lines, sizes = _fitted(wave, rate, tones, mains)
    time = np.arange(len(wave)) / rate
    rest = wave - wave.mean()
    for frequency, size in zip(lines, sizes, strict=True):
        rest -= (size * np.exp(2j * math.pi * frequency * time)).real
    count = round(_BLOCK * rate)
    blocks = rest[: len(rest) // count * count].reshape(-1, count)
    left = np.sqrt(np.square(blocks).mean(axis=1))
    signal = math.hypot(*np.abs(sizes[: len(tones)])) / math.sqrt(2.0)
    worst = float(left.max())
    if worst > _UNEVEN * float(np.median(left)) and worst > _TELLING * signal:
        at = (float(left.argmax()) + 0.5) * _BLOCK
        return (f"the wave does not go on as it began, {at:.2g} s in: a lost buffer, a lead that "
                "moved, or a unit that crackles")
    return ""


def _still(wave: Floats) -> str:
    """Why a silence is none of a converter; empty where it is."""
    if not wave.any():
        return ""
    moves = np.flatnonzero(np.diff(wave) != 0.0)
    longest = int(np.diff(np.concatenate([[-1], moves, [len(wave) - 1]])).max())
    if len(moves) < _LIVELY * (len(wave) - longest):
        return ""  # a noise of less than its last bit stands still by itself
    return f"{longest} samples in a row are the same: a lost buffer" if longest > _STILL else ""


def hum_warning(heard: Heard, mains: float) -> str:
    """What to say of mains lines that stand high beside the signal; empty for nothing.

    Parameters
    ----------
    mains : float
        Hz.
    """
    if not heard.tones:
        return ""
    lines, sizes = _fitted(heard.wave, heard.rate, heard.tones, mains)
    count = len(heard.tones)
    hum = {f: float(abs(a)) for f, a in zip(lines[count:], sizes[count:], strict=True)
           if abs(f / mains - round(f / mains)) < 1e-6}
    signal = math.hypot(*np.abs(sizes[:count]))
    if not hum or not signal:
        return ""
    loudest = max(hum, key=lambda f: hum[f])
    level = 20.0 * math.log10(max(hum[loudest] / signal, 1e-9))
    if level < _LOUD_HUM_DB:
        return ""
    beside = round(level)
    if beside < 0:
        lies = f"lies only {-beside} dB below the signal"
    elif beside:
        lies = f"is {beside} dB louder than the signal"
    else:
        lies = "is as loud as the signal"
    return (f"hum at {loudest:.3g} Hz {lies}: an earth loop "
            "through the leads (one earth, at the unit, and a card on batteries or through a "
            "transformer), or the unit's own")

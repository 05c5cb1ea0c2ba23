"""Signals to play and what was recorded, as samples: from a script without a file between."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from circuits.signals.recording import Floats, Recording
    from diagnose.stimulus.signal import Signal
    from diagnose.stimulus.writing import Written

_LEAST, _MOST = 1, 2
"""Channels of a recording: `_LEAST`, `_MOST`."""


def signal(
    kind: str,
    seconds: str | float = 0.0,
    level: str | float | None = None,
    frequencies: Sequence[str | float] = (),
    band: tuple[str | float, str | float] = (20.0, 20e3),
    channels: str = "mono",
    shaped: bool = False,
    steady: bool = False,
    pilots: bool = True,
) -> Signal:
    """A signal to play, as `samples` and `write_signal` take it.

    Parameters
    ----------
    kind : str
        sine, difference-tone, modulation, tones, square, sweep, silence, bursts or steps.
    seconds : str or float
        Without pilots and silences; 0 for what is usual.
    level : str or float, optional
        ``-20 dBFS``, or the number alone; by default what is usual.
    frequencies : sequence of str or float
        Hz where they are numbers; empty for the usual ones.
    band : pair of str or float
        Of many tones and of a sweep.
    channels : str
        mono, left, right or both.
    shaped : bool
        A sweep through the inverse of the RIAA curve, for a phono input.
    steady : bool
        Steady tones before a sweep, by which distortion below 200 Hz is read.
    pilots : bool
        A pilot before and after.

    Raises
    ------
    InputError
        For words that are not understood.

    Examples
    --------
    >>> import diagnose
    >>> diagnose.signal("difference-tone", level="-12 dBFS").tones
    (19000.0, 20000.0)
    """
    from circuits.quantity import parse
    from diagnose.stimulus.signal import KINDS, Signal
    from diagnose.stimulus.writing import level_of

    word = kind.replace("-", " ")
    if word not in KINDS:
        raise InputError(f"there is no signal {kind!r}", choices=KINDS, given=word)
    low, high = (parse(x, "Hz") for x in band)
    return Signal(
        word, parse(seconds, "s"), level_of(level, None) if isinstance(level, str) else level,
        tuple(parse(x, "Hz") for x in frequencies), (low, high), channels, shaped, steady, pilots,
    )


def samples(signal: Signal, rate: str | float = 48e3) -> Floats:
    """The samples of a signal with its pilots and silences, (channels, n), of full scale.

    Parameters
    ----------
    signal : Signal
    rate : str or float
        Samples a second.

    Raises
    ------
    InputError
        For a signal that cannot be played so.
    """
    from circuits.quantity import parse
    from diagnose.stimulus import samples as played

    return played.samples(signal, parse(rate, "Hz"))


def write_signal(
    signal: Signal, file: Path | str, rate: str | float = 48e3, bits: int | str = 24,
    full_scale: str | float | None = None,
) -> Written:
    """A signal as a sound file; one that exists is not touched.

    Parameters
    ----------
    signal : Signal
    file : path
        Ends in ``.wav`` or ``.flac``.
    rate : str or float
        Samples a second.
    bits : int or str
        16, 24 or 32, or ``float``.
    full_scale : str or float, optional
        V RMS of a sine that just reaches digital full scale.

    Returns
    -------
    Written
        With cautions and notes of what is played.

    Raises
    ------
    InputError
        For a signal, a form or a file that cannot be.
    """
    from circuits.quantity import parse
    from diagnose.stimulus.writing import checked_full_scale, sound_file, write_sound

    volts = None if full_scale is None else parse(full_scale, "V")
    body, made = sound_file(Path(file), signal, parse(rate, "Hz"), str(bits),
                            checked_full_scale(volts))
    write_sound(Path(file), body)
    return made


def recorded(samples: ArrayLike, rate: str | float = 48e3, name: str = "recording") -> Recording:
    """Samples that were recorded, for `measure`.

    Parameters
    ----------
    samples : (n,) or (c, n) array_like
        Fractions of full scale, of one channel or two.
    rate : str or float
        Samples a second.
    name : str
        What it is called where it is told of.

    Raises
    ------
    InputError
        For what is no recording of one channel or two.

    Examples
    --------
    A sweep through a unit that is a first-order high-pass of 100 Hz, 3 dB down there:

    >>> import diagnose, numpy as np
    >>> played = diagnose.samples(diagnose.signal("sweep", seconds=4))[0]
    >>> f = np.fft.rfftfreq(len(played), 1 / 48000)
    >>> heard = np.fft.irfft(np.fft.rfft(played) * 1j * f / (100 + 1j * f), len(played))
    >>> made = diagnose.measure(diagnose.recorded(heard))
    >>> response = made.curve("response")
    >>> round(dict(zip(response.frequencies, response.values))[100.0], 1)
    -3.0
    """
    import numpy as np

    from circuits.quantity import parse
    from circuits.signals.recording import Recording

    wave = np.atleast_2d(np.asarray(samples, dtype=float))
    if wave.ndim != _MOST or not _LEAST <= len(wave) <= _MOST or not np.isfinite(wave).all():
        raise InputError(f"an array of shape {np.shape(samples)} is no recording",
                         expected="(n,) or (2, n) numbers, fractions of full scale")
    at = parse(rate, "Hz")
    return Recording(name, wave, at, 0, wave.shape[1] / at)

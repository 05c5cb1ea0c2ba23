"""Recordings: samples of a WAV or FLAC file, and which part of them is fit to be measured.

Samples are as fractions of digital full scale. What full scale is in volts depends on the
recorder's gain and on any divider before it, and is never guessed here.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from circuits.errors import InputError, Place

if TYPE_CHECKING:
    import soundfile

Floats = NDArray[np.float64]

CHANNELS = ("left", "right")
LEAST_RATE = 8e3
"""Samples a second; below, a recording holds no audio band to speak of."""
MOST_RATE = 800e3
"""Samples a second; recorders go up to 768 kHz, so a header that says more is wrong."""
LEAST_SECONDS = 0.5
"""A line of 50 Hz needs as much to stand clear of its neighbours."""
MOST_SECONDS = 30.0
"""What lies behind is left out: it would tell nothing more."""
_BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 0, "DOUBLE": 0}
"""Bits of a sample by its form, as libsndfile names it; 0 for floating point."""
_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "FLAC")
_STREAMED = 0x7FFFFFFF
"""A size of this or more, or none, is what a program writes that cannot go back to the header."""
_BLOCK = 0.1
"""s; the level is looked at in blocks of this length."""
_STEADY_DB = 1.0
"""How far, dB, the level of a block may lie from the usual one of a steady tone."""
LEAST_SAMPLE, MOST_SAMPLE = 1e-10, 1e4
"""Of full scale: the last bit of a 32-bit recorder is 4.7e-10, and 80 dB beyond full scale no
recorder writes in floating point either."""


@dataclass(frozen=True, eq=False)
class Recording:
    """Samples of one or two channels.

    Attributes
    ----------
    name : str
        Of the file.
    samples : (c, n) array
        As fractions of digital full scale.
    rate : float
        Samples a second.
    bits : int
        Of a sample; 0 for floating point.
    seconds : float
        Length of the whole file, of which the samples may be a part.
    start : float
        Where in the file the samples start, s.
    """

    name: str
    samples: Floats
    rate: float
    bits: int
    seconds: float
    start: float = 0.0

    @property
    def length(self) -> float:
        """Of the samples, s."""
        return float(self.samples.shape[1] / self.rate)

    @property
    def channels(self) -> tuple[str, ...]:
        """Their names; one channel has an empty one."""
        return CHANNELS if len(self.samples) == 2 else ("",)


def load_recording(path: Path | str) -> Recording:
    """The first `MOST_SECONDS` of a file.

    Parameters
    ----------
    path : Path or str
        WAV of 16, 24 or 32 bit or floating point, or FLAC; one or two channels.

    Raises
    ------
    InputError
        For a file that is missing, damaged, compressed with losses, too short, or holds nothing
        but zeros.
    """
    path = Path(path)
    place = Place(str(path))
    if not path.is_file():
        raise InputError(
            "there is no such file" if not path.exists() else "this is not a file",
            place=place, expected="a WAV or FLAC file",
        )
    try:
        import soundfile
    except OSError as error:
        raise InputError(
            f"the library that reads sound files does not load: {error}",
            expected="libsndfile, which comes with: pip install soundfile",
        ) from None
    try:
        with soundfile.SoundFile(path) as file:
            _check_form(file, place)
            _check_whole(path, place)
            wanted = min(file.frames, round(MOST_SECONDS * file.samplerate))
            read = file.read(wanted, dtype="float64", always_2d=True)
            size, rate = file.frames, float(file.samplerate)
            bits = _BITS[file.subtype]
    except soundfile.LibsndfileError as error:
        raise InputError(
            f"this cannot be read as sound: {error.error_string.rstrip('.')}",
            place=place, expected="a whole WAV or FLAC file",
        ) from None
    samples = np.ascontiguousarray(read.T)
    if samples.shape[1] < wanted:
        raise _damaged(samples.shape[1] / rate, wanted / rate, place)
    _check_samples(samples, rate, place)
    return Recording(path.name, samples, rate, bits, size / rate)


def _check_form(file: soundfile.SoundFile, place: Place) -> None:
    if file.format not in _FORMATS or file.subtype not in _BITS:
        raise InputError(
            f"this is a recording of the form {file.format} {file.subtype}", place=place,
            expected="WAV of 16, 24 or 32 bit or floating point, or FLAC of 16 or 24 bit",
        )
    if file.channels > 2:
        raise InputError(
            f"this recording has {file.channels} channels", place=place, expected="one or two"
        )
    if not LEAST_RATE <= file.samplerate <= MOST_RATE:
        raise InputError(
            f"this recording has {file.samplerate} samples a second", place=place,
            expected="44.1 kHz or more, for a band up to 20 kHz",
        )


def _check_whole(path: Path, place: Place) -> None:
    """Refuse a WAV file that ends before its header says; the library reads such without a word."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return
        while len(head := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", head)
            if name == b"data":
                rest = size - file.tell()
                if rest < length < _STREAMED:
                    raise _damaged(rest, length, place)
                return
            file.seek(length + length % 2, 1)


def _damaged(found: float, promised: float, place: Place) -> InputError:
    return InputError(
        f"this file is damaged: {100.0 * found / promised:.3g} % of the recording is there",
        place=place, expected="a whole file, copied again or recorded again",
    )


def _check_samples(samples: Floats, rate: float, place: Place) -> None:
    seconds = samples.shape[1] / rate
    if seconds < LEAST_SECONDS:
        raise InputError(
            f"this recording is too short: {seconds:.3g} s", place=place,
            expected=f"{LEAST_SECONDS} s at least; 5 to 10 s is a good length",
        )
    if not np.isfinite(samples).all():
        raise InputError(
            "this file holds samples that are no numbers", place=place,
            expected="a recording as it left the recorder",
        )
    if not samples.any():
        raise InputError(
            "this recording holds nothing but zeros", place=place,
            expected="a signal, or at least the noise of the recorder: is it connected?",
        )
    peak = float(np.abs(samples).max())
    if not LEAST_SAMPLE <= peak <= MOST_SAMPLE:
        raise InputError(
            f"the greatest sample of this recording is {peak:.3g} times full scale", place=place,
            expected="a recording as it left the recorder, full scale being 1",
        )


def at_full_scale(recording: Recording) -> tuple[int, ...]:
    """Places, for each channel, where two samples or more in a row lie at digital full scale.

    A wave that is clipped within the unit under test is a reading like any other; one that is
    clipped by the recorder is none.
    """
    step = 2.0 ** (1 - recording.bits) if recording.bits else 0.0
    channels = []
    for wave in recording.samples:
        count = 0
        for flat in (wave >= 1.0 - step, wave <= -1.0):
            pairs = flat[1:] & flat[:-1]
            count += int((pairs[1:] & ~pairs[:-1]).sum()) + int(pairs[0])
        channels.append(count)
    return tuple(channels)


def steady(recording: Recording) -> Recording:
    """The longest stretch of steady level.

    A tone is often switched on after the recorder, and off before it. The level, in blocks of
    0.1 s, of the louder channel must stay within 1 dB; a block is given up at each end that is
    cut. Where less than half a second is steady, as of a tone that decays, the recording is
    returned as it is. Digital silence is no level: a tone in it counts, however short.
    """
    size = round(_BLOCK * recording.rate)
    count = recording.samples.shape[1] // size
    blocks = recording.samples[:, : count * size].reshape(-1, count, size)
    powers = np.einsum("cbs,cbs->cb", blocks, blocks) / size
    power = powers[int(powers.sum(axis=1).argmax())]
    level = 10.0 * np.log10(power + 1e-30)
    heard = level[power > 0.0]
    if not heard.size:
        return recording
    good = np.abs(level - np.quantile(heard, 0.75)) <= _STEADY_DB
    if good.all() or not good.any():
        return recording
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    first, last = max(
        zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True), key=lambda r: r[1] - r[0]
    )
    first += first > 0
    last -= last < count
    if (last - first) * _BLOCK < LEAST_SECONDS:
        return recording
    stop = recording.samples.shape[1] if last == count else last * size
    return cut(recording, first * size, stop)


def cut(recording: Recording, first: int, last: int) -> Recording:
    """The samples from `first` up to `last`."""
    return replace(
        recording,
        samples=recording.samples[:, first:last],
        start=recording.start + first / recording.rate,
    )


def about(recording: Recording) -> dict[str, Any]:
    """What the recording is, as plain data."""
    return {
        "file": recording.name,
        "channels": len(recording.samples),
        "rate": recording.rate,
        "bits": recording.bits or "floating point",
        "seconds": recording.seconds,
        "used": {"from": recording.start, "to": recording.start + recording.length},
    }

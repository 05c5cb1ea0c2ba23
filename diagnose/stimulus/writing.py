"""A signal as a sound file, its level in volts where full scale is known, and dither."""

from __future__ import annotations

import contextlib
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.cautions import Caution
from circuits.errors import InputError
from circuits.plausible import FULL_SCALE
from circuits.quantity import parse, render
from circuits.signals.recording import MOST_SECONDS
from diagnose.schema.documents import FORMAT
from diagnose.stimulus.minding import cautions
from diagnose.stimulus.samples import Layout, layout, pilot_level, samples
from diagnose.stimulus.signal import Signal

Floats = NDArray[np.float64]

BITS = ("16", "24", "32", "float")
"""Words for the form of a sample."""
_SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT"}
"""As libsndfile names them."""
_FORMS = {".wav": "WAV", ".flac": "FLAC"}
"""By the end of a file's name."""
_SEED = 20
"""Of the dither: a signal is the same file in every run."""
_BLOCK = 1 << 20
"""Samples that are dithered at a time."""


@dataclass(frozen=True)
class Written:
    """A signal that was written.

    Attributes
    ----------
    path : Path
    signal : Signal
    rate : float
    bits : str
        One of `BITS`.
    full_scale : float or None
        V RMS of a sine that just reaches digital full scale, as told.
    plan : Layout
    cautions : tuple of Caution
    notes : tuple of str
    """

    path: Path
    signal: Signal
    rate: float
    bits: str
    full_scale: float | None
    plan: Layout
    cautions: tuple[Caution, ...]
    notes: tuple[str, ...]

    @property
    def volts(self) -> float | None:
        """V RMS of its level; None where full scale is not known."""
        if self.full_scale is None:
            return None
        return float(self.full_scale * 10.0 ** (self.signal.played_level / 20.0))

    def document(self) -> dict[str, Any]:
        """The document of ``diagnose signal --json``."""
        plan, signal = self.plan, self.signal
        return {
            "format": FORMAT,
            "file": str(self.path),
            "signal": signal.kind,
            "rate": self.rate,
            "bits": int(self.bits) if self.bits != "float" else "floating point",
            "channels": signal.channels,
            "level": signal.played_level,
            "volts": self.volts,
            "full scale": self.full_scale,
            "frequencies": list(signal.tones),
            "shaped": signal.shaped,
            "seconds": plan.seconds,
            "from": plan.lead + plan.begin,
            "to": plan.lead + plan.end,
            "pilots": [plan.lead, plan.lead + plan.apart] if signal.pilots else [],
            "cautions": [one.text for one in self.cautions],
            "notes": list(self.notes),
        }


def level_of(text: str, full_scale: float | None) -> float | None:
    """A level as people write it, in dBFS; None for none.

    Parameters
    ----------
    text : str
        ``-20 dBFS``, or where full scale is known a voltage, such as ``500 mV`` or ``-10 dBV``.
    full_scale : float or None
        V RMS.

    Raises
    ------
    InputError
        For a text that is neither, or a voltage without a full scale.
    """
    word = text.strip()
    if not word:
        return None
    if re.search(r"dBFS$", word, re.IGNORECASE):
        return parse(word[: -len("FS")].rstrip(), "dB")
    try:
        volts = parse(word, "V")
    except InputError as error:
        raise InputError(f"the level {text!r} is not understood",
                         expected="-20 dBFS, or with --full-scale 500 mV") from error
    if full_scale is None:
        raise InputError(
            "a level in volts needs to know what full scale is",
            expected="--full-scale with the RMS volts that a sine of 0 dBFS has at the output: "
            "play one at -20 dBFS, read it with a meter, and multiply by ten",
        )
    if volts <= 0.0:
        raise InputError(f"a level of {render(volts, 'V')} is none", expected="more than 0 V")
    return 20.0 * math.log10(volts / full_scale)


def checked_full_scale(volts: float | None) -> float | None:
    """The volts of full scale, if they can be.

    Raises
    ------
    InputError
        For a value out of its range.
    """
    least, most = FULL_SCALE
    if volts is not None and not least <= volts <= most:
        raise InputError(f"full scale is {render(volts, 'V')}",
                         expected=f"{render(least, 'V')} to {render(most, 'V')}")
    return volts


def sound_file(
    path: Path, signal: Signal, rate: float, bits: str = "24", full_scale: float | None = None
) -> tuple[bytes, Written]:
    """The bytes of a file, and what is told of it.

    Parameters
    ----------
    path : Path
        Ends in ``.wav`` or ``.flac``; nothing is written there yet.

    Raises
    ------
    InputError
        For a signal or a form that cannot be.
    """
    import soundfile

    form = _FORMS.get(path.suffix.lower())
    if form is None:
        raise InputError(f"{path.name!r} is no name of a sound file",
                         expected="a name that ends in .wav or .flac")
    if bits not in BITS:
        raise InputError(f"there are no samples of {bits!r}", choices=BITS, given=bits)
    if form == "FLAC" and bits not in ("16", "24"):
        raise InputError(f"FLAC has no samples of {bits} bit" if bits != "float" else
                         "FLAC has no floating point", expected="16 or 24, or a .wav")
    made = samples(signal, rate)
    if bits != "float":
        made = dithered(made, int(bits))
    body = io.BytesIO()
    soundfile.write(body, made.T, round(rate), subtype=_SUBTYPES[bits], format=form)
    plan = layout(signal, rate)
    return body.getvalue(), Written(
        path, signal, rate, bits, full_scale, plan, cautions(signal, rate),
        _notes(signal, rate, plan),
    )


def exists(path: Path) -> InputError:
    """That a file is there already."""
    return InputError(f"{path} exists and was not touched", expected="the name of a new file")


def write_sound(path: Path, body: bytes) -> None:
    """Write a file that is not there yet, whole or not at all.

    Raises
    ------
    InputError
        For one that is there, or that cannot be written.
    """
    written = False
    try:
        # "x": it may have come while the signal was made
        with path.open("xb") as file:
            written = True
            file.write(body)
    except FileExistsError:
        raise exists(path) from None
    except OSError as error:
        if written:
            with contextlib.suppress(OSError):
                path.unlink()
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected="a file in a folder that exists") from None


def dithered(made: Floats, bits: int) -> Floats:
    """Samples with noise of triangular density over two steps, where something is played.

    A step is 2^(1 − bits). A channel that is not driven stays digital silence, and so does
    whatever would go beyond full scale.

    Parameters
    ----------
    made : (c, n) array
    """
    step = 2.0 ** (1 - bits)
    random = np.random.default_rng(_SEED)
    whole = made.copy()
    for row in whole:
        if not row.any():
            continue
        for first in range(0, len(row), _BLOCK):
            part = row[first : first + _BLOCK]
            part += step * (random.random(len(part)) - random.random(len(part)))
    return np.clip(whole, -1.0, 1.0 - step)


def _notes(signal: Signal, rate: float, plan: Layout) -> tuple[str, ...]:
    made = []
    if signal.pilots and plan.seconds > MOST_SECONDS:
        made.append(
            f"diagnose measure reads {MOST_SECONDS:g} s: of this it will not see the second pilot"
        )
    if signal.kind == "sweep":
        low, high = signal.played_band(rate)
        made.append(f"swept from {render(low, 'Hz')} to {render(high, 'Hz')}; record it from "
                    "before the first pilot to after the last one")
    if signal.kind == "silence" and signal.pilots:
        made.append(f"its pilots have {pilot_level(signal):g} dBFS")
    return tuple(made)

"""What a person knows of a recording and tells beside it."""

from __future__ import annotations

from dataclasses import dataclass

from circuits.errors import InputError
from circuits.plausible import FULL_SCALE
from circuits.quantity import render
from circuits.signals.recording import CHANNELS
from circuits.stagefile import MAINS
from diagnose.recording.recognise import SIGNALS


@dataclass(frozen=True)
class Options:
    """What the user knows of a recording.

    Attributes
    ----------
    signal : str
        A word of `diagnose.recording.recognise.SIGNALS`; empty for whatever it looks like.
    full_scale : float or None
        V RMS of a sine whose peaks just reach digital full scale. Without it only ratios and
        levels relative to full scale are told.
    channel : str
        ``left`` or ``right``; empty for all.
    driven : str
        ``left``, ``right`` or ``both``; empty for whatever it looks like.
    mains : float
        Hz.
    shaped : bool
        Whether a sweep was played through the inverse of the RIAA curve; where it has pilots,
        these say so.
    """

    signal: str = ""
    full_scale: float | None = None
    channel: str = ""
    driven: str = ""
    mains: float = 50.0
    shaped: bool = False


def checked_options(
    signal: str = "",
    full_scale: float | None = None,
    channel: str = "",
    driven: str = "",
    mains: float = 50.0,
    shaped: bool = False,
) -> Options:
    """Options as a person gives them.

    Raises
    ------
    InputError
        For an unknown word, or a value out of its range.
    """
    for word, what, known in (
        (signal, "signal", SIGNALS),
        (channel, "channel", CHANNELS),
        (driven, "channel", (*CHANNELS, "both")),
    ):
        if word and word not in known:
            raise InputError(f"there is no {what} {word!r}", choices=known, given=word)
    least, most = FULL_SCALE
    if full_scale is not None and not least <= full_scale <= most:
        raise InputError(f"full scale is {render(full_scale, 'V')}",
                         expected=f"{render(least, 'V')} to {render(most, 'V')}")
    low, high = MAINS
    if not low <= mains <= high:
        raise InputError(f"the mains has {render(mains, 'Hz')}", expected="50 Hz or 60 Hz")
    return Options(signal, full_scale, channel, driven, mains, shaped)

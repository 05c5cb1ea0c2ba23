"""What a person knows of a trace and tells beside it."""

from __future__ import annotations

from dataclasses import dataclass

from circuits.errors import InputError
from circuits.quantity import render
from circuits.stagefile import MAINS

KINDS = ("square", "sine", "silence")
"""What a trace is read as: edges, one tone, or what is there without a signal."""


@dataclass(frozen=True)
class TraceOptions:
    """What the user knows of a trace.

    Attributes
    ----------
    signal : str
        A word of `KINDS`; empty for whatever it looks like.
    input, output : str
        Number from 1 or heading of the channel at the unit's input and at its output; empty for
        what the headings say, or the first and the second.
    at : str
        The node that the output's probe was on, for ripple there; empty for the unit's output.
    mains : float
        Hz.
    """

    signal: str = ""
    input: str = ""
    output: str = ""
    at: str = ""
    mains: float = 50.0


def trace_options(
    signal: str = "", input: str = "", output: str = "", at: str = "", mains: float = 50.0
) -> TraceOptions:
    """Options as a person gives them.

    Raises
    ------
    InputError
        For an unknown word, or a mains frequency that is none.
    """
    if signal and signal not in KINDS:
        raise InputError(f"there is no signal {signal!r} of a trace", choices=KINDS, given=signal)
    low, high = MAINS
    if not low <= mains <= high:
        raise InputError(f"the mains has {render(mains, 'Hz')}", expected="50 Hz or 60 Hz")
    return TraceOptions(signal, input, output, at, mains)

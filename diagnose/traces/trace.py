"""A trace as frozen data: times and the voltages of one to four channels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.errors import InputError

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Trace:
    """What a screen showed.

    Attributes
    ----------
    name : str
        Of the file.
    channels : tuple of str
        Their headings, or ``channel 1`` and so on.
    time : (n,) array
        s, rising.
    values : (c, n) array
        V, or what `units` says.
    units : tuple of str
        Of the channels: ``V`` or ``A``.
    notes : tuple of str
        What had to be taken for granted in reading it.
    """

    name: str
    channels: tuple[str, ...]
    time: Floats
    values: Floats
    units: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def step(self) -> float:
        """S between two points."""
        return float(self.time[-1] - self.time[0]) / (len(self.time) - 1)

    def find(self, word: str) -> int:
        """The channel of a number from 1 or of a heading.

        Raises
        ------
        InputError
            For one that is not there.
        """
        plain = word.strip().lower()
        if plain.isdigit() and 1 <= int(plain) <= len(self.channels):
            return int(plain) - 1
        for fits in (lambda name: name.lower() == plain, lambda name: plain in name.lower()):
            named = [k for k, name in enumerate(self.channels) if plain and fits(name)]
            if len(named) == 1:
                return named[0]
        raise InputError(
            f"there is no channel {word!r}", expected="the number of a channel, or its heading",
            choices=[f"{k} ({name})" for k, name in enumerate(self.channels, start=1)], given=word,
        )

    def about(self) -> dict[str, Any]:
        """What it is, as plain data, in the words of a recording."""
        return {
            "file": self.name, "channels": len(self.channels), "rate": 1.0 / self.step,
            "bits": SCREEN, "seconds": self.step * len(self.time),
            "used": {"from": float(self.time[0]), "to": float(self.time[-1])},
        }


SCREEN = "oscilloscope trace"
SWEPT = "sweep table"
"""What stands in place of a recording's bits."""

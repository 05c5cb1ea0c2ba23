"""What of a recording can be looked at, as frozen data: a spectrum with its lines, or a wave."""

from __future__ import annotations

import math
from dataclasses import dataclass

SIGNAL, HARMONIC, PRODUCT, MAINS = "signal", "harmonic", "product", "mains"
"""What a line may be; a harmonic is named by its number, one of the mains by its frequency."""


@dataclass(frozen=True)
class Line:
    """A line of a spectrum: Hz, RMS as a fraction of full scale, what it is, and its name."""

    frequency: float
    rms: float
    kind: str
    name: str = ""

    def level(self, full_scale: float | None) -> tuple[float, str]:
        """Its level and the unit of that: V, or dB of full scale where that is not known."""
        peak = self.rms * math.sqrt(2.0)
        if full_scale is None:
            return 20.0 * math.log10(max(peak, 1e-15)), "dBFS"
        return peak * full_scale, "V"


@dataclass(frozen=True)
class Picture:
    """What one channel shows.

    Attributes
    ----------
    kind : {"spectrum", "wave"}
    channel : str
        Empty where there is only one.
    x : tuple of float
        Hz, or s.
    y : tuple of float
        Fractions of full scale: RMS of a spectrum, momentary of a wave.
    lines : tuple of Line
        Of a spectrum, by rising frequency.
    width : float
        Hz of noise that a value of the spectrum holds.
    flats : tuple of float
        Of a square wave, the middle of its lower flat and of its upper one.
    """

    kind: str
    channel: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    lines: tuple[Line, ...] = ()
    width: float = 0.0
    flats: tuple[float, float] = (0.0, 0.0)

"""Curves that standards define: replay equalisation and the A weighting.

The RIAA replay curve has the time constants 3180, 318 and 75 µs (IEC 60098). The A weighting is
the analogue transfer function of IEC 61672-1 with its pole frequencies, 0 dB at 1 kHz.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

AUDIO = (20.0, 20e3)
"""Hz; the band where a reading of noise states none (IEC 60268-3)."""
RIAA_SECONDS = (3180e-6, 318e-6, 75e-6)
"""Time constants of the replay curve, s: bass, shelf and treble (IEC 60098)."""
_A_POLES = (20.598997, 107.65265, 737.86223, 12194.217)
"""Hz, the four pole frequencies of the A weighting (IEC 61672-1)."""


def riaa_db(frequency: ArrayLike) -> NDArray[np.float64]:
    """The replay curve in dB, 0 dB at 1 kHz.

    Parameters
    ----------
    frequency : array_like
        Hz, any shape.
    """
    return _riaa(np.asarray(frequency, dtype=float)) - _riaa(np.asarray(1000.0))


def _riaa(f: NDArray[np.float64]) -> NDArray[np.float64]:
    w = 2.0 * np.pi * f
    bass, shelf, treble = RIAA_SECONDS
    return np.asarray(
        10.0 * np.log10(1.0 + (w * shelf) ** 2)
        - 10.0 * np.log10(1.0 + (w * bass) ** 2)
        - 10.0 * np.log10(1.0 + (w * treble) ** 2)
    )


def a_weighting_db(frequency: ArrayLike) -> NDArray[np.float64]:
    """The A weighting in dB, 0 dB at 1 kHz.

    Parameters
    ----------
    frequency : array_like
        Hz, above zero, any shape.
    """
    return _a(np.asarray(frequency, dtype=float)) - _a(np.asarray(1000.0))


def _a(f: NDArray[np.float64]) -> NDArray[np.float64]:
    f1, f2, f3, f4 = _A_POLES
    s = f**2
    top = f4**2 * s**2
    below = (s + f1**2) * np.sqrt((s + f2**2) * (s + f3**2)) * (s + f4**2)
    return np.asarray(20.0 * np.log10(top / below))

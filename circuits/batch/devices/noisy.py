"""Sources of noise inside a device, as currents between two of its terminals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from circuits.batch.devices.card import Floats
from circuits.batch.devices.constants import BOLTZMANN, CHARGE, KELVIN

_LEAST = 1e-38
"""A, below which the flicker of a current is that of this one (ngspice's)."""


@dataclass(frozen=True)
class Source:
    """A source of noise from terminal `a` to terminal `b`.

    Attributes
    ----------
    white : ndarray (d, u)
        A²/Hz at every frequency.
    flicker : ndarray (d, u)
        A²/Hz at 1 Hz, of the part that falls with frequency.
    slope : ndarray (d, u)
        Exponent of 1/f of that part.
    """

    a: str
    b: str
    white: Floats
    flicker: Floats
    slope: Floats


def thermal(a: str, b: str, siemens: Floats) -> Source:
    """Johnson's noise of a conductance."""
    nothing = np.zeros_like(siemens)
    return Source(a, b, 4.0 * BOLTZMANN * KELVIN * siemens, nothing, np.ones_like(siemens))


def flicker(a: str, b: str, amperes: Floats, kf: Floats, af: Floats) -> Source:
    """Noise of SPICE's KF and AF, which goes with a current (A) and falls with frequency."""
    size = np.maximum(np.abs(amperes), _LEAST)
    return Source(a, b, np.zeros_like(size), kf * np.power(size, af), np.ones_like(size))


def shot(
    a: str, b: str, amperes: Floats, kf: Floats | None = None, af: Floats | None = None
) -> Source:
    """Schottky's noise of a current (A), with its flicker where KF and AF are given."""
    white = 2.0 * CHARGE * np.abs(amperes)
    if kf is None or af is None:
        return Source(a, b, white, np.zeros_like(white), np.ones_like(white))
    falling = flicker(a, b, amperes, kf, af)
    return Source(a, b, white, falling.flicker, falling.slope)

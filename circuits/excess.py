"""Excess noise: what a part makes beyond thermal noise when current flows through it.

Carbon, contacts and wipers conduct unsteadily. The current noise index of IEC 60195 (from memory)
is the noise voltage in a decade of frequency over the direct voltage across the part, in µV/V, told
in dB over 1 µV/V. Its power falls as 1/f and grows with the square of the current. A leaky
collector junction has the shot noise of its leakage, 2q·I, and is as unsteady as a contact besides;
one that breaks down multiplies its leakage and, more than that, the noise of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.macromodels import CHARGE
from circuits.stage import Part

INDEX, SHOT, BREAKDOWN = "noise index", "shot", "breakdown"
"""What a part may say of itself among its parameters: dB, times 2q·I, and V."""

USUAL: Mapping[str, float] = {
    "carbon-composition": 0.0,
    "carbon-film": -14.0,
    "metal-film": -32.0,
    "potentiometer": -6.0,
    "trimmer": -6.0,
}
"""Noise index of a good part by its kind, dB: makers' usual figures, from memory (1, 0.2, 0.025 and
0.5 µV/V). Wire and clean contacts have none worth telling."""

SEED = 1e-6
"""A, what leaks through a junction that breaks down before it is multiplied (judgement)."""
EXPONENT = 4.0
"""Of Miller's law of multiplication, 1/(1 − (V/BV)ⁿ): silicon has 2 to 6 (from memory)."""
MOST = 300.0
"""Multiplication that the junction's own series resistance and heat leave (judgement)."""
UNSTEADY = 60.0
"""Noise index of the current that breaking down adds, dB: a thousandth of it a decade, as of a poor
contact (judgement)."""


def index(part: Part) -> float | None:
    """The noise index of a part, dB; None where it has none worth telling."""
    stated = part.parameter(INDEX, math.nan)
    return USUAL.get(part.kind) if math.isnan(stated) else stated


def flicker(decibels: float) -> float:
    """The factor K of a current noise K·I²/f, A²/Hz, that a noise index stands for.

    A decade holds K·I²·ln 10 of it, which is the square of the index times the current.
    """
    return float((1e-6 * 10.0 ** (decibels / 20.0)) ** 2 / math.log(10.0))


def of_junction(part: Part) -> bool:
    """Whether a part stands for a junction that leaks or breaks down, and is heard to."""
    if not part.parameters:
        return False
    return any(name in (SHOT, BREAKDOWN) for name, _ in part.parameters)


def multiplication(volts: ArrayLike, breakdown: float) -> NDArray[np.float64]:
    """How much a reverse voltage, V, of any shape, multiplies what leaks through a junction."""
    near = np.minimum(np.abs(volts) / breakdown, 1.0) ** EXPONENT
    return np.asarray(1.0 / np.maximum(1.0 - near, 1.0 / MOST))


def white(part: Part, ohms: float, volts: NDArray[np.float64]) -> NDArray[np.float64]:
    """The part of a current noise that all frequencies have, A²/Hz.

    Shot noise of what leaks. Of what breaks down 2q·I·M³, McIntyre's law for holes that multiply as
    electrons do (from memory).

    Parameters
    ----------
    ohms : float
        Of the part, or of the leak that it stands for.
    volts : array
        Across it, at one time or another.
    """
    power = 2.0 * CHARGE * part.parameter(SHOT) * np.abs(volts) / ohms
    breakdown = part.parameter(BREAKDOWN)
    if breakdown > 0.0:
        power = power + 2.0 * CHARGE * SEED * multiplication(volts, breakdown) ** 3
    return np.asarray(power)


def indexed(part: Part, ohms: float, volts: NDArray[np.float64]) -> NDArray[np.float64]:
    """What of `falling` the noise index of the part alone tells."""
    decibels = index(part)
    return np.zeros_like(volts) if decibels is None else flicker(decibels) * (volts / ohms) ** 2


def falling(part: Part, ohms: float, volts: NDArray[np.float64]) -> NDArray[np.float64]:
    """The part of a current noise that falls as 1/f, A²/Hz at 1 Hz; parameters as `white`."""
    power = indexed(part, ohms, volts)
    breakdown = part.parameter(BREAKDOWN)
    if breakdown > 0.0:
        # what leaks without multiplication is as steady as in any good junction
        added = SEED * (multiplication(volts, breakdown) - 1.0)
        power = power + flicker(UNSTEADY) * added**2
    return power

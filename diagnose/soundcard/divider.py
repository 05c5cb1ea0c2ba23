"""Dividers of two resistors: before the card's input, and behind its output.

An input of a card takes a volt or two, and its output gives as much where a phono input wants
millivolts. Values are of E24 (IEC 60063); what two of them make is what counts, not what was
wanted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from circuits.quantity import render

_E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1,
        5.6, 6.2, 6.8, 7.5, 8.2, 9.1)
"""Values of a decade (IEC 60063)."""
_WATTS = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""W of resistors that are sold."""
_COOL = 2.0
"""A resistor is taken for so many times what it dissipates, so that its value stays."""
HEADROOM = 10.0 ** (-6.0 / 20.0)
"""Of the input's full scale that the rated output fills: half, as a faulty unit may give more."""
_LOWER = 1e3
"""Ohm of the lower resistor before an input: small beside 10 kohm, and a power stage hardly knows
that it is there."""
_LITTLE = 10.0 ** (-30.0 / 20.0)
"""Of the output's full scale, below which its own noise is too near."""
_ABOVE = 10.0 ** (10.0 / 20.0)
"""So far beyond what is wanted the output can go behind its divider."""
_LEAST_LOWER = 47.0
"""Ohm of the lower resistor behind an output, where a stage wants no source impedance."""
_SHARE = 10.0
"""Times smaller than the input the lower resistor is at least."""


@dataclass(frozen=True)
class Divider:
    """Two resistors in series, the input across the lower one.

    Attributes
    ----------
    upper, lower : float
        Ohm.
    ratio : float
        Volts above over volts below, with what hangs on it.
    watts : float
        Of the upper resistor at the voltage that it is made for, W.
    rating : float
        W that both are bought with.
    ohms : float
        That the source sees.
    """

    upper: float
    lower: float
    ratio: float
    watts: float
    rating: float
    ohms: float

    def text(self) -> str:
        """The parts to take."""
        kind = render(self.rating, "W")
        return (f"{render(self.upper, 'ohm')} in series and {render(self.lower, 'ohm')} to ground, "
                f"of {kind} or more (ratio {self.ratio:.4g}, "
                f"{20.0 * math.log10(self.ratio):.1f} dB)")


def before_input(
    volts: float, full_scale: float, input_ohms: float, direct: float = 0.0
) -> Divider | None:
    """The divider between an output and the card.

    Parameters
    ----------
    volts : float
        V RMS that the output is rated to give.
    full_scale : float
        V RMS of a sine that fills the input.
    input_ohms : float
        Of the card.
    direct : float
        V d.c. that a fault can put on the output; the resistors bear that as well.

    Returns
    -------
    Divider or None
        None where the input takes the voltage as it is.
    """
    wanted = volts / (full_scale * HEADROOM)
    if wanted <= 1.0:
        return None
    lower = e24(min(_LOWER, input_ohms / _SHARE))
    across = lower * input_ohms / (lower + input_ohms)
    upper = e24((wanted - 1.0) * across, up=True)
    watts = volts**2 * upper / (upper + across) ** 2
    most = max(volts, direct) ** 2 * upper / (upper + across) ** 2
    return Divider(upper, lower, (upper + across) / across, watts, rating(most), upper + across)


def behind_output(
    volts: float, full_scale: float, output_ohms: float, source_ohms: float
) -> Divider | None:
    """The divider between the card and an input that wants little, which is its source as well.

    Parameters
    ----------
    volts : float
        V RMS of e.m.f. that the input is driven with at most.
    full_scale : float
        V RMS of a sine that fills the output, without load.
    output_ohms : float
        Of the card.
    source_ohms : float
        That the stage expects before its input, ohm; 0 for none.

    Returns
    -------
    Divider or None
        None where less than 30 dB are too much: the card's own volume does that.
    """
    if volts >= full_scale * _LITTLE:
        return None
    wanted = full_scale / (volts * _ABOVE)
    lower = e24(max(source_ohms, _LEAST_LOWER) * wanted / (wanted - 1.0))
    upper = e24((wanted - 1.0) * lower - output_ohms, up=True)
    whole = upper + lower + output_ohms
    watts = full_scale**2 * upper / whole**2
    return Divider(upper, lower, whole / lower, watts, rating(watts),
                   lower * (upper + output_ohms) / whole)


def e24(ohms: float, up: bool = False) -> float:
    """The value of E24 that is nearest by ratio, or the next one up."""
    decade = math.floor(math.log10(ohms))
    values = [float(f"{m * 10.0**d:.3g}") for d in (decade - 1, decade, decade + 1) for m in _E24]
    if up:
        return min(v for v in values if v >= ohms * (1.0 - 1e-9))
    return min(values, key=lambda v: abs(math.log(v / ohms)))


def rating(watts: float) -> float:
    """W of the resistor that is taken for a dissipation."""
    return next((w for w in _WATTS if w >= _COOL * watts), _COOL * watts)

"""What resistors and capacitors are made of, guessed by value and place: no netlist says it."""

from __future__ import annotations

_WIREWOUND = 1.0
"""Ohm below which a resistor is taken for a wirewound one (common practice)."""
_ELECTROLYTIC = 1e-6
"""F from which on a capacitor is taken for an electrolytic: films of more are rare in equipment of
the era (common practice)."""
_SURELY = 10e-6
"""F from which on there is hardly another."""
_CERAMIC = 1e-9
"""F below which a capacitor is taken for a ceramic one (common practice)."""
_DECOUPLING = 220e-9
"""F up to which a capacitor from a supply to ground is a ceramic one."""


def resistor_kind(ohms: float) -> tuple[str, str]:
    """The kind of a resistor, and why."""
    if ohms < _WIREWOUND:
        return "wirewound", "its value"
    return "carbon-film", "the usual one"


def capacitor_kind(farads: float, decouples: bool = False) -> tuple[str, str]:
    """The kind of a capacitor, and why.

    Parameters
    ----------
    decouples : bool
        Whether it stands between supplies.
    """
    if farads >= _ELECTROLYTIC:
        return "electrolytic", "10 µF and more" if farads >= _SURELY else "1 µF and more"
    if farads < _CERAMIC:
        return "ceramic", "below 1 nF"
    if decouples and farads <= _DECOUPLING:
        return "ceramic", "a supply's decoupling"
    return "film", "1 nF to 1 µF"

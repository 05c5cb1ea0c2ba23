"""Numbers as SPICE reads them, and where a person is likely to have meant another.

A number is digits, a scale factor and any letters, which are passed over: so ``4k7`` is 4000, ``M``
is a milli in either case, and ``F`` is a femto (Berkeley's SPICE 3 manual; what ngspice reads is
held against this in the tests).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from circuits.errors import InputError
from circuits.quantity import parse, render

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)(meg|mil|[tgkmunpf\u00b5\u03bc])?"
                     r"(.*)", re.IGNORECASE | re.DOTALL)
_SCALE = {
    "": 0, "t": 12, "g": 9, "meg": 6, "k": 3, "m": -3, "u": -6, "\u00b5": -6, "\u03bc": -6,
    "n": -9, "p": -12, "f": -15,
}
"""Powers of ten of SPICE's scale factors; a small m is milli in either case of letters."""
_MIL = 25.4e-6
"""A thousandth of an inch, m: one of SPICE's scale factors."""
_LEAST_OHMS = 0.01
"""Resistors of less are rare, and a small m may be meant as mega there (judgement)."""
_UNITS = {"r": "ohm", "c": "F", "l": "H", "v": "V", "i": "A"}
_TAIL = re.compile(r"[a-z\u03a9\u2126]*", re.IGNORECASE)
_DIGIT = re.compile(r"\d")


@dataclass(frozen=True)
class Number:
    """A number as read.

    Attributes
    ----------
    value : float
        What SPICE makes of it, SI.
    doubt : str
        What a person may have meant instead, in words; empty where nothing speaks for it.
    meant : float or None
        The same as a value, where it can be told.
    """

    value: float
    doubt: str = ""
    meant: float | None = None


def is_number(text: str) -> bool:
    """Whether SPICE would read a number here."""
    return _NUMBER.match(text) is not None


def value_of(text: str) -> float | None:
    """What SPICE reads; None for no number."""
    match = _NUMBER.match(text)
    if match is None:
        return None
    return _scaled(match[1], (match[2] or "").lower())


def read(text: str, letter: str = "") -> Number | None:
    """What SPICE reads, and whether a person may have meant something else.

    Parameters
    ----------
    text : str
        One word.
    letter : str
        First letter of the element that has the value, lower case, which tells the unit.

    Returns
    -------
    Number or None
        None for no number at all.
    """
    match = _NUMBER.match(text)
    if match is None:
        return None
    scale, tail = (match[2] or "").lower(), match[3]
    value = _scaled(match[1], scale)
    unit = _UNITS.get(letter, "")
    meant = _meant(text, unit)
    if _DIGIT.search(tail) or not _TAIL.fullmatch(tail):
        return Number(value, f"what follows the number is cut off: {tail!r}", meant)
    if scale == "m" and letter == "r" and (match[2] == "M" or value < _LEAST_OHMS):
        return Number(value, "M is a milli in SPICE, and mega is Meg", _scaled(match[1], "meg"))
    if scale == "f" and not tail and letter == "c":
        return Number(value, "F is a femto in SPICE, and needs no unit",
                      _scaled(match[1], "") if match[2] == "F" else None)
    return Number(value)


def _meant(text: str, unit: str) -> float | None:
    """What the text is in the words of the trade, where that can be told."""
    if not unit:
        return None
    try:
        return parse(text, unit)
    except InputError:
        return None


def in_words(value: float, letter: str) -> str:
    """A value with the unit of an element, for a question."""
    return render(value, _UNITS.get(letter, ""))


def _scaled(number: str, scale: str) -> float:
    if scale == "mil":
        return float(number) * _MIL
    # shifting the decimal point, so that 4.7n is the float nearest to it
    mantissa, _, power = number.lower().partition("e")
    return float(f"{mantissa}e{int(power or 0) + _SCALE[scale]}")

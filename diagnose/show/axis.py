"""An axis of a picture: where its marks stand and what they say, as on graph paper of the trade.

A logarithmic axis is marked at 1, 2 and 5 of every decade (20, 50, 100, 200, 500, 1 k …) and has a
fine line at each other whole number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from circuits.quantity import render

_TRADE = (1.0, 2.0, 5.0)
"""Marks of a decade; where there is no room for all words, those that stand first are kept."""
_WHOLE = tuple(float(k) for k in range(1, 10))
"""Lines of a decade, with those of the marks."""
_WORDS = {"Hz": ("Hz", 1.0), "dB": ("dB", 1.0), "dBFS": ("dBFS", 1.0), "deg": ("°", 1.0),
          "%": ("%", 100.0)}
"""Units that stand once at the axis and not at every mark, and what a mark is multiplied by."""
_STEPS = (1.0, 2.0, 5.0, 10.0)
"""What the marks of a linear axis may be apart, times a power of ten."""
_SLACK = 1e-9
"""Of a step: a mark on the end of an axis is inside it, whatever the last bit says."""


@dataclass(frozen=True)
class Axis:
    """One axis of a panel.

    Attributes
    ----------
    unit : str
        Unit of `circuits.quantity` for the numbers on it, SI inside (a ratio for ``%``).
    falling : bool
        Large values first.
    words : tuple of (float, str)
        Named places in the stead of numbers.
    whole : bool
        Only whole numbers stand on it.
    """

    label: str
    unit: str = ""
    logarithmic: bool = False
    falling: bool = False
    words: tuple[tuple[float, str], ...] = ()
    whole: bool = False


def marks(axis: Axis, low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Places of the marks of an axis between two values, with their words.

    Parameters
    ----------
    low, high : float
        SI.
    most : int
        How many marks a linear axis has at most; on a logarithmic one whoever draws it leaves out
        the words that have no room (`by_importance`).
    """
    if axis.words:
        return list(axis.words)
    places = _log_places(low, high) if axis.logarithmic else steps(low, high, most)
    if axis.whole:
        places = list(dict.fromkeys(float(round(x)) for x in places if low <= round(x) <= high))
    apart = places[1] - places[0] if len(places) > 1 else 0.0
    return [(x, _word(x, axis, apart)) for x in places]


def fine(axis: Axis, low: float, high: float) -> list[float]:
    """Places of the fine lines between the marks: none on a linear axis."""
    if not axis.logarithmic or axis.words or len(_at(_TRADE, low, high)) < 2:
        return []
    coarse = set(_at(_TRADE, low, high))
    return [x for x in _at(_WHOLE, low, high) if x not in coarse]


def by_importance(places: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """Marks of a logarithmic axis, those whose words are kept first in front: decades, 2, 5."""
    def rank(place: tuple[float, str]) -> int:
        first = f"{place[0]:.3e}"[0]
        return {"1": 0, "2": 1, "5": 2}.get(first, 3)

    return sorted(places, key=rank)


def heading(axis: Axis) -> str:
    """What stands at an axis: what it is, and the unit that its marks do not repeat."""
    unit = _WORDS[axis.unit][0] if axis.unit in _WORDS and not axis.words else ""
    return f"{axis.label}, {unit}" if unit and axis.label else axis.label or unit


def steps(low: float, high: float, most: int) -> list[float]:
    """Round values between two, at most so many."""
    raw = (high - low) / max(most, 1)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * k for k in _STEPS if size * k >= raw * (1.0 - _SLACK))
    first = math.ceil(low / step - _SLACK)
    last = math.floor(high / step + _SLACK)
    return [k * step for k in range(first, last + 1)]


def _log_places(low: float, high: float) -> list[float]:
    places = _at(_TRADE, low, high)
    # so far drawn apart that decades have no marks on it: round values do
    return places if len(places) > 1 else steps(low, high, 5)


def _at(factors: tuple[float, ...], low: float, high: float) -> list[float]:
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    places = (float(f"{factor}e{k}") for k in range(first, last + 1) for factor in factors)
    return [x for x in places if low * (1.0 - _SLACK) <= x <= high * (1.0 + _SLACK)]


def _word(x: float, axis: Axis, apart: float) -> str:
    if axis.unit not in _WORDS:
        return render(x, axis.unit)
    x *= _WORDS[axis.unit][1]
    if axis.unit == "Hz":
        # as frequencies are printed beside a knob: 20, 500, 1 k
        letter, size = ("k", 1e3) if abs(x) >= 1e3 else ("", 1.0)
        return f"{x / size:.6g} {letter}".rstrip()
    if axis.logarithmic:
        return f"{x:.6g}"
    apart *= _WORDS[axis.unit][1]
    decimals = max(0, -math.floor(math.log10(apart) + _SLACK)) if apart > 0.0 else 2
    word = f"{x:.{decimals}f}"
    return word if float(word) else word.removeprefix("-")

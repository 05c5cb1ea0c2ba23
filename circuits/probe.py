"""The a.c. input that a reading is taken by: its own resistance and capacitance load the node.

An analyser or a scope has 1 Mohm, and with a cable some 100 pF beside it; a times-ten probe has
10 Mohm and about 15 pF (common practice, as data sheets of scopes and probes have it). Which one a
reading was taken by, where nobody says so, is what a technician would take: times ten for a signal
at a point inside, direct for hum, ripple and noise there, whose microvolts would drown in the input
after a division by ten. At the output the stated load stands for all that is connected.

The input is a.c. coupled, so that a bias does not notice it, and its coupling passes all that is
read (real ones begin at some hertz).
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

from circuits import plausible
from circuits.errors import InputError
from circuits.quantity import exact, parse, render
from circuits.reading import Reading
from circuits.stage import GROUND, Stage
from circuits.yamlfile import Node, scalar

Loading = tuple[float, float]
"""Ohm and farad, one beside the other."""

DIRECT: Loading = (1e6, 100e-12)
"""By a cable."""
TIMES_TEN: Loading = (10e6, 15e-12)
"""By a probe that divides by ten."""
NONE: Loading = (math.inf, 0.0)
"""Draws nothing."""
WORDS = {"direct": DIRECT, "times ten": TIMES_TEN, "none": NONE}
_PAIR = re.compile(r"(.*?)(?:[\s,/|∥]+(\S+\s*[fpnuµμm]?F))?")
"""Ohm, and perhaps farad."""
_SMALL = ("noise", "hum", "ripple")
"""Quantities of microvolts."""


def usual(quantity: str) -> Loading:
    """What a reading of that quantity is taken by at a point inside, unless it says so."""
    return DIRECT if quantity in _SMALL else TIMES_TEN


def lies_at(reading: Reading, point: str, stage: Stage) -> Loading | None:
    """What a reading's probe loads one of its points with; None for nothing.

    Parameters
    ----------
    point : str
        Node, as the reading has it in `at` or `origin`; empty is the output.
    """
    inside = point not in ("", GROUND, stage.output)
    if "probe" not in (*reading.about.required, *reading.about.optional) or point == GROUND:
        return None
    if reading.probe:
        there = point or not (reading.at or reading.origin)
        return reading.probe if there and math.isfinite(reading.probe[0]) else None
    return usual(reading.quantity) if inside else None


def plainly(reading: Reading, stage: Stage) -> Reading:
    """A reading that does not state the probe which it is taken by anyhow."""
    points = [point for point in (reading.at, reading.origin) if point]
    inside = points and stage.output not in points
    alike = reading.probe == usual(reading.quantity)
    return replace(reading, probe=()) if inside and alike else reading


def read_probe(node: Node) -> Loading:
    """``direct``, ``times ten``, ``none``, or an input's own ``10 Mohm 12 pF``.

    Raises
    ------
    InputError
        With the place.
    """
    written = scalar(node, "the probe")
    word = re.sub(r"[\s-]+", " ", written.value.strip().lower())
    if word in WORDS:
        return WORDS[word]
    pair = _PAIR.fullmatch(written.value.strip())
    try:
        if not pair:
            raise InputError("")
        found = parse(pair[1], "ohm"), parse(pair[2], "F") if pair[2] else 0.0
    except InputError:
        raise InputError(
            f"{written.value.strip()!r} is no probe", place=written.place,
            expected="direct (1 Mohm 100 pF), times ten (10 Mohm 15 pF), none, or such a pair",
        ) from None
    for value, unit, (low, high) in (
        (found[0], "ohm", plausible.PROBE_OHMS), (found[1], "F", plausible.PROBE_FARADS),
    ):
        if not low <= value <= high:
            raise InputError(
                f"a probe of {render(value, unit)} is not plausible", place=written.place,
                expected=f"{render(low, unit)} to {render(high, unit)}",
            )
    return found


def text(loading: tuple[float, ...]) -> str:
    """A probe in words that are read back."""
    for word, known in WORDS.items():
        if loading == known:
            return word
    ohms, farads = loading
    beside = exact(farads, "F")
    # a number with all its digits comes without its unit
    beside += "" if beside.endswith("F") else " F"
    return exact(ohms, "ohm") + (f" {beside}" if farads else "")

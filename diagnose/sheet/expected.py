"""Expected figures: what the service manual or the schematic says that a good unit reads.

They stand in a list of their own, ``expected:``, whose entries are written as readings are, with
the meter that the manual's own figures were taken with; or beside a reading, ``expected: 14 V``,
taken as that reading is. A tolerance is printed with them (``within: 5 %``, or ``14 V ±5 %``), or
it is the usual one. Like every limit it is wide: spread evenly between its ends a figure has a
standard uncertainty of the limit over √3 (JCGM 100:2008, 4.3.7, from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.quantities import BALANCE, CROSSTALK
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import Items, Mapping, Node, Text
from diagnose.sheet.entry import Measured, quantity_of, uncertainty_of
from diagnose.sheet.limits import Limit
from diagnose.sheet.readings import read_readings

TOLERANCES = {
    "dc voltage": "10 %",  # common practice: "within 10 %" is what schematics say of their voltages
    "supply current": "20 %",  # judgement, as for all below: what is set, set by hand
    "gain": "1 dB",
    "response": "1 dB",
    "riaa deviation": "0.5 dB",
    "phase": "10 deg",
    "input impedance": "20 %",
    "output impedance": "30 %",
    "damping factor": "30 %",
    "maximum output": "1 dB",
    CROSSTALK: "6 dB",
    BALANCE: "1 dB",
    "resistance": "10 %",
    "rise time": "30 %",
    "slew rate": "30 %",
    "overshoot": "50 %",
    "tilt": "50 %",
}
"""How far a good unit may lie from a figure that is printed without a tolerance."""
ANY_LEVEL = "6 dB"
"""The same for hum, noise, distortion and other levels of what should not be there: good units
differ by twice either way (judgement)."""
LEAST = {"dc voltage": 0.05, "overshoot": 0.02, "tilt": 0.02}
"""What it is at least where the figure is about zero, SI: offsets are set to some 50 mV (common
practice); the others are judgement."""
LEAST_BETWEEN = 0.002
"""V, the same between two nodes, where a few millivolts are a current (judgement)."""
COVERAGE = 2.0
"""Standard uncertainties that a stated ``uncertainty`` makes a tolerance of: 95 % (JCGM 100)."""
_WITHIN = re.compile(r"(.*\S)\s*(?:±|\+/?[-\u2212])\s*(\S.*)", re.DOTALL)
_OWN = ("value", "uncertainty", "points", "file", "column", "expected", "within", "photo")
"""Words of an entry that are no conditions of its reading."""


@dataclass(frozen=True)
class Expected:
    """What a good unit of this design reads.

    Attributes
    ----------
    figure : Measured
        As a reading, with its standard uncertainty.
    tolerance : float
        How far a good unit may lie from it, compared scale.
    within : str
        The same in words: ``10 %``.
    load : float
        Ohm: the stage's own, which a reading that states no load means.
    beside : bool
        Whether it stands beside a reading, and not in a list of its own.
    """

    figure: Measured
    tolerance: float
    within: str
    load: float = 0.0
    beside: bool = False

    @property
    def reading(self) -> Reading:
        """What it is of, with the meter that it was taken with."""
        return self.figure.reading

    @property
    def weighed(self) -> bool:
        """Whether it can be simulated; what is of two channels is of no design alone."""
        return self.reading.about.simulated and self.reading.quantity not in (CROSSTALK, BALANCE)

    def about(self, reading: Reading) -> bool:
        """Whether it is about that reading, whatever the meter and in whatever words of a level."""
        free = ("meter", "probe", "beside")
        return Limit(self.reading, free=free, load=self.load).covers(reading)


def read_expected(
    node: Node | None, sides: Sequence[Node | None], stage: Stage, folder: Path
) -> tuple[Expected, ...]:
    """The expected figures of a case file, those of the list first; empty ones are passed over.

    Parameters
    ----------
    node : Node or None
        What stands under ``expected``.
    sides : sequence of Node or None
        Lists of readings that may have figures beside them, one a channel; the same figure may
        stand in both.
    folder : Path
        Where files are looked for.

    Raises
    ------
    InputError
        With the place.
    """
    found: dict[str, Expected] = {}
    listed = yamlfile.items(node, "expected figures") if node is not None else ()
    entries = [(item, False) for item in listed if not (isinstance(item, Text) and item.empty)]
    entries += [(item, True) for side in sides for item in _beside(side)]
    for item, beside in entries:
        for one in _entry(item, stage, folder):
            one = replace(one, beside=beside)
            first = found.setdefault(one.reading.key(), one)
            if first != one or not beside:
                _once(first, one)
    return tuple(found.values())


def _once(first: Expected, one: Expected) -> None:
    if first is not one:
        place = first.figure.place
        raise InputError(
            f"{one.reading.label()} is expected twice; first in {Path(place.file).name}, "
            f"line {place.line}",
            place=one.figure.place, expected="each figure once",
        )


def _beside(node: Node | None) -> Iterator[Mapping]:
    """The figures beside readings, as entries of their own."""
    for item in node.items if isinstance(node, Items) else ():
        if not isinstance(item, Mapping) or item.get("expected") is None:
            continue
        key = item.keys["expected"]
        if "points" in item.entries or "file" in item.entries:
            raise InputError("an expected figure stands beside a single value", place=key.place,
                             expected="a curve of its own in the list expected:")
        entries = {k: n for k, n in item.entries.items() if k not in _OWN}
        keys = {k: n for k, n in item.keys.items() if k not in _OWN}
        yield replace(item, entries={**entries, "value": item.entries["expected"]},
                      keys={**keys, "value": replace(key, value="value")})


def _entry(item: Node, stage: Stage, folder: Path) -> list[Expected]:
    entry, _ = quantity_of(item, "an expected figure")
    node = entry.get("within")
    word = yamlfile.scalar(node, "a tolerance") if node is not None else None
    value = entry.get("value")
    if isinstance(value, Text) and (match := _WITHIN.fullmatch(value.value)):
        if word is not None:
            raise InputError("the tolerance is stated twice", place=word.place,
                             expected="within: 5 %, or 14 V ±5 %")
        column = value.place.column + match.start(2) + value.quoted
        word = Text(match[2], replace(value.place, column=column))
        entry = replace(entry, entries={**entry.entries, "value": replace(value, value=match[1])})
    if word is not None and entry.get("uncertainty") is not None:
        raise InputError("a tolerance and an uncertainty are stated",
                         place=entry.keys["uncertainty"].place, expected="one of them")
    bare = replace(entry, entries={k: n for k, n in entry.entries.items() if k != "within"},
                   keys={k: n for k, n in entry.keys.items() if k != "within"})
    taken = read_readings(Items((bare,), item.place), stage, folder).weighed
    return [_expected(measured, word, stage) for measured in taken]


def _expected(measured: Measured, word: Text | None, stage: Stage) -> Expected:
    if measured.bound:
        raise InputError(f"{measured.bound} is no figure that a good unit reads",
                         place=measured.place,
                         expected="the figure; what must be kept stands under limits, max or min")
    reading = measured.reading
    if measured.uncertainty is not None:
        tolerance = COVERAGE * measured.uncertainty
        return Expected(measured, tolerance, _said(tolerance, measured), stage.load)
    least = 0.0
    if word is None:
        word = Text(TOLERANCES.get(reading.quantity, ANY_LEVEL), measured.place)
        least = LEAST.get(reading.quantity, 0.0)
        if least and reading.origin:
            least = LEAST_BETWEEN
    word = replace(word, value=word.value.strip().lstrip("±+-\u2212 "))
    tolerance, within = least, ""
    if not least or measured.value:  # a share of nothing is nothing
        tolerance, within = uncertainty_of(word, reading, measured.value), word.value
    if tolerance <= least:
        tolerance, within = least, render(least, reading.unit)
    sigma = math.hypot(tolerance / math.sqrt(3.0), measured.digits)
    return Expected(replace(measured, uncertainty=sigma, digits=0.0), tolerance, within, stage.load)


def _said(tolerance: float, measured: Measured) -> str:
    """A tolerance of the compared scale in words."""
    scale = measured.reading.scale
    if scale == "log":
        return f"{100.0 * tolerance:.3g} %"
    return f"{tolerance:.3g} dB" if scale in ("dB", "level") else render(
        tolerance, measured.reading.unit)

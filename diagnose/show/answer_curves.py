"""Which plots a sheet makes: a quantity that was read at two places or more, and along what.

A reading has a place on every axis on which another one of its kind stands beside it: distortion at
1 kHz and 1 W is a point of distortion against frequency at 1 W, and of distortion against power at
1 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from circuits.quantities import BALANCE, LEVELS
from circuits.quantity import render
from circuits.reading import Reading
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.show.curve_rows import curve_label
from diagnose.show.figure import Axis

LEAST = 2
"""Places at which a quantity is read that make a plot of it."""
_NEAR = 0.12
"""Of the logarithm, 1 dB: levels that are one, since a level is set by eye."""
_GRID = 41
"""Frequencies of a simulated curve besides those measured: at 640 pixels it looks smooth."""


@dataclass(frozen=True)
class Along:
    """What a plot is against.

    Attributes
    ----------
    word : str
        ``frequency``, ``harmonic``, or the word of a level.
    axis : Axis
    place : callable
        Where a reading stands on it; 0 for one that does not.
    at : callable
        A reading moved to a place on it; 0 makes the kind that all of one plot share.
    """

    word: str
    axis: Axis
    place: Callable[[Reading], float]
    at: Callable[[Reading, float], Reading]


def _level(word: str) -> Along:
    def place(reading: Reading) -> float:
        return reading.level[1] if reading.level is not None and reading.level[0] == word else 0.0

    def at(reading: Reading, x: float) -> Reading:
        return replace(reading, level=(word, x))

    return Along(word, Axis(word, LEVELS[word], logarithmic=True), place, at)


FREQUENCY = Along("frequency", Axis("frequency", "Hz", logarithmic=True),
                  lambda r: r.frequency, lambda r, x: replace(r, frequency=x))
ORDER = Along("harmonic", Axis("number of the harmonic", whole=True),
              lambda r: float(r.order), lambda r, x: replace(r, order=int(x)))
ALONGS = (FREQUENCY, *map(_level, LEVELS), ORDER)


@dataclass(frozen=True)
class Curve:
    """What belongs on one plot.

    Attributes
    ----------
    kind : Reading
        Without its place on the axis across.
    points : tuple of Measured
        Of the unit or its suspect channel, by rising place.
    other : tuple of Measured
        Of the channel beside.
    after : tuple of (words, points)
        What was read after each repair.
    readings : tuple of Reading
        Where healthy units and suspects are drawn; empty for what is not simulated.
    """

    along: Along
    kind: Reading
    points: tuple[Measured, ...]
    other: tuple[Measured, ...]
    after: tuple[tuple[str, tuple[Measured, ...]], ...]
    readings: tuple[Reading, ...]

    @property
    def places(self) -> tuple[float, ...]:
        """Of `readings`, on the axis across."""
        return tuple(self.along.place(r) for r in self.readings)

    @property
    def in_lines(self) -> bool:
        """Whether nothing lies between its points, as between lines of the mains."""
        return self.kind.about.kind == "mains" or self.along is ORDER

    @property
    def title(self) -> str:
        """What it is of: ``thd at 1 kHz against power, into 8 ohm``."""
        return _title(self.kind, self.along)


def curves_of(case: Case) -> list[Curve]:
    """The plots of a sheet, in the order in which their first readings stand on it."""
    snap = _Levels()
    suspect = _with_dense(case, case.suspect, case.readings)
    other = next((name for name, _ in case.channels if name != case.suspect), "")
    reference = _with_dense(case, other, case.reference) if case.channels else ()
    after = [(f"after {made.part} {made.how}", made.readings) for made in case.repaired]
    dense = {one for _, one in case.dense}
    curves = []
    for along, kind in _kinds([suspect, reference], snap):
        points, beside = (_of_kind(read, along, kind, snap) for read in (suspect, reference))
        later = tuple((words, found) for words, read in after
                      if (found := _of_kind(read, along, kind, snap)))
        everything = [*points, *beside, *(m for _, read in later for m in read)]
        read = {along.place(m.reading): m.reading
                for m in reversed(everything) if m not in dense}
        curves.append(Curve(along, kind, points, beside, later,
                            _simulated(case, along, kind, read)))
    return curves


class _Levels:
    """Levels that are near enough to be one: both channels are driven alike, and stray a little."""

    def __init__(self) -> None:
        self._first: list[tuple[str, float]] = []

    def __call__(self, reading: Reading) -> Reading:
        """The reading at the first level that was asked for near its own."""
        if reading.level is None:
            return reading
        word, value = reading.level
        for other, first in self._first:
            if other == word and abs(math.log(value / first)) < _NEAR:
                return replace(reading, level=(word, first))
        self._first.append(reading.level)
        return reading


def _kinds(
    sides: Sequence[Sequence[Measured]], snap: _Levels
) -> list[tuple[Along, Reading]]:
    """Kinds of readings that stand at `LEAST` places of an axis or more, of one channel."""
    order: dict[tuple[str, Reading], None] = {}
    enough: set[tuple[str, Reading]] = set()
    for read in sides:
        found: dict[tuple[str, Reading], set[float]] = {}
        for measured in read:
            snapped = snap(measured.reading)
            for along in ALONGS:
                x = along.place(snapped)
                if x > 0.0:
                    found.setdefault((along.word, along.at(snapped, 0.0)), set()).add(x)
        order.update(dict.fromkeys(found))
        enough.update(key for key, places in found.items() if len(places) >= LEAST)
    alongs: Mapping[str, Along] = {along.word: along for along in ALONGS}
    return [(alongs[word], kind) for word, kind in order if (word, kind) in enough]


def _with_dense(
    case: Case, name: str, read: Sequence[Measured]
) -> tuple[Measured, ...]:
    """The readings of one channel with all rows of its sweeps."""
    return (*read, *(one for of, one in case.dense if of == name))


def _of_kind(
    read: Sequence[Measured], along: Along, kind: Reading, snap: _Levels
) -> tuple[Measured, ...]:
    same = [m for m in read
            if along.place(m.reading) > 0.0 and along.at(snap(m.reading), 0.0) == kind]
    return tuple(sorted(same, key=lambda m: along.place(m.reading)))


def _simulated(
    case: Case, along: Along, kind: Reading, read: Mapping[float, Reading]
) -> tuple[Reading, ...]:
    """Where a curve is simulated: at what was read, and finely between where that costs little.

    At just what was read, since a ranking has simulated that.
    """
    at = sorted(read)
    readings = tuple(read[x] for x in at)
    if any(r.quantity == BALANCE or not case.weighs(r) for r in readings):
        return ()
    fine = along is FREQUENCY and kind.about.kind != "mains" and not readings[0].driven
    return tuple(along.at(kind, x) for x in _grid(at)) if fine else readings


def _grid(at: Sequence[float]) -> list[float]:
    """Frequencies evenly spread on a log scale over the measured ones, which are among them."""
    inner = np.geomspace(at[0], at[-1], _GRID)
    return sorted({float(f"{f:.4g}") for f in inner} | set(at))


def _title(kind: Reading, along: Along) -> str:
    if along is FREQUENCY:
        name = curve_label(kind)
        return f"{name}, line by line" if kind.about.kind == "mains" else name
    if along is ORDER:
        return kind.label().replace("harmonic", "harmonics", 1)
    # a level of nought is no condition, what it goes into is one
    load = f", into {render(kind.load, 'ohm')}" if kind.load else ""
    return f"{replace(kind, level=None, load=0.0).label()} against {along.word}{load}"

"""What a recording or a table gives, put into the rows that stand on the sheet.

A reading goes into the row of its quantity and conditions where that is empty, a frequency of a
curve into its point; only what has no row gets one. Nothing that was typed is overwritten unless
that is asked for: what stands there already is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from circuits.errors import InputError
from circuits.quantities import LEVELS
from circuits.quantity import parse
from diagnose.web.places import place
from diagnose.web.sheet import Entry, Pairs, Point, Typed
from diagnose.web.understood import CONDITION_UNITS

_SAME = 0.01
"""How far apart two frequencies or loads may be that are the same: a generator is set to 1 %."""
_NEAR = 0.12
"""The same for levels, 1 dB: a level is set by eye, and the recording says what it was."""
_UNTOLD = {"probe", "meter", "weighting", "state"}
"""Conditions whose usual word is as good as none."""


@dataclass(frozen=True)
class Filled:
    """A sheet with what was given.

    Attributes
    ----------
    filled, added : int
        Values that went into rows that stood there, and into rows of their own.
    kept : tuple of (place, what stands, what was given)
        Values that stand there and are others than what was given.
    """

    sheet: Typed
    filled: int
    added: int
    kept: tuple[tuple[str, str, str], ...]


def fill(
    sheet: Typed, given: Sequence[Entry], channels: Sequence[str], own: str = "", over: bool = False
) -> Filled:
    """Put readings on a sheet.

    Parameters
    ----------
    given : sequence of Entry
        With a value for each of `channels`, or one.
    channels : sequence of str
        Names of both channels where both were read; empty for one.
    own : str
        Which channel the one is of that either side has alone: the sheet's, where it has one and
        two were read; what was read, where that is one of two. Empty is the first, and the one
        under suspicion.
    over : bool
        Whether what stands there is overwritten.

    Returns
    -------
    Filled
        Its sheet has two channels where two were given.
    """
    if len(channels) == 2 and not sheet.channels:
        sheet = _widened(sheet, (channels[0], channels[1]), own or channels[0])
    sides = _sides(sheet, channels, own)
    made = _Rows(list(sheet.readings), sheet, over)
    for entry in given:
        made.take(entry, sides)
    readings = tuple(made.rows)
    kept = tuple((place(sheet, field), stands, new) for field, stands, new in made.kept)
    return Filled(replace(sheet, readings=readings), made.filled, made.added, kept)


def _widened(sheet: Typed, names: tuple[str, str], own: str) -> Typed:
    """A sheet of one channel as one of two, whose values are those of the channel `own`."""
    at = names.index(own) if own in names else 0

    def both(values: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(values[0] if k == at and values else "" for k in range(2))

    readings = tuple(
        replace(entry, values=both(entry.values),
                points=tuple(Point(p.at, both(p.values)) for p in entry.points))
        for entry in sheet.readings
    )
    return replace(sheet, channels=names, suspect=names[at], readings=readings)


def _sides(sheet: Typed, channels: Sequence[str], own: str) -> Mapping[int, int]:
    """For each side of the sheet which given value is its own; by names, else by order."""
    wide = sheet.width
    if len(channels) != 2:
        words = sheet.channels
        chosen = own if own in words else sheet.suspect
        return {words.index(chosen) if chosen in words else 0: 0}
    if wide == 1:
        return {0: 0}
    named = {k: channels.index(name) for k, name in enumerate(sheet.channels) if name in channels}
    return named if len(named) == 2 else {0: 0, 1: 1}


class _Rows:
    """Rows being filled."""

    def __init__(self, rows: list[Entry], sheet: Typed, over: bool) -> None:
        self.rows, self.wide, self.over = rows, sheet.width, over
        self.filled = self.added = 0
        self.new: set[int] = set()
        self.kept: list[tuple[str, str, str]] = []

    def take(self, entry: Entry, sides: Mapping[int, int]) -> None:
        """Put one given entry where it belongs."""
        for point in entry.points:
            values = self._spread(point.values, sides)
            self._one(entry, point.at, values)
        if entry.source == "points":
            return
        values = self._spread(entry.values, sides)
        if not any(values):
            return
        if entry.source == "file":
            self._file(entry, values)
            return
        self._one(entry, "", values)

    def _spread(self, values: Sequence[str], sides: Mapping[int, int]) -> tuple[str, ...]:
        return tuple(values[sides[k]] if k in sides and sides[k] < len(values) else ""
                     for k in range(self.wide))

    def _one(self, entry: Entry, at: str, values: tuple[str, ...]) -> None:
        """One value, of a frequency of its own where it is a point of a curve."""
        if not any(values):
            return
        own = dict(entry.conditions)
        hz = at or own.get("frequency", "")
        rest = tuple((key, word) for key, word in entry.conditions if key != "frequency")
        for k, row in enumerate(self.rows):
            if row.quantity != entry.quantity:
                continue
            whole = (*rest, ("frequency", hz)) if hz else rest
            if row.source == "value" and _alike(row.conditions, whole, any(row.values)):
                into = self._into(row.values, values, f"readings/{k}/values", k in self.new)
                # an empty row takes the level that was read, which is its own within a decibel
                own_row = row.conditions if any(row.values) else _levels_of(row.conditions, whole)
                self.rows[k] = replace(row, values=into, conditions=own_row)
                return
            if row.source == "points" and hz and _alike(row.conditions, rest, True):
                found = next((p for p, point in enumerate(row.points)
                              if _near(point.at, hz, "Hz", _SAME)), None)
                if found is None and not at:
                    continue  # a single reading makes no point of a curve that has others
                self._point(k, found, at, values)
                return
        if at:
            self.rows.append(replace(entry, source="points", values=("",) * self.wide,
                                     points=(Point(at, values),)))
        else:
            self.rows.append(replace(entry, values=values))
        self.new.add(len(self.rows) - 1)
        self.added += sum(map(bool, values))

    def _point(self, k: int, p: int | None, at: str, values: tuple[str, ...]) -> None:
        row = self.rows[k]
        if p is None:
            self.rows[k] = replace(row, points=(*row.points, Point(at, values)))
            self.added += sum(map(bool, values))
            return
        into = self._into(row.points[p].values, values, f"readings/{k}/points/{p}", k in self.new)
        points = (*row.points[:p], replace(row.points[p], values=into), *row.points[p + 1:])
        self.rows[k] = replace(row, points=points)

    def _file(self, entry: Entry, values: tuple[str, ...]) -> None:
        """A file: beside that of the other channel, or in place of a curve still empty."""
        for k, row in enumerate(self.rows):
            if row.quantity != entry.quantity or not _alike(
                row.conditions, entry.conditions, True
            ):
                continue
            if row.source == "file":
                self.rows[k] = replace(row, values=self._into(
                    row.values, values, f"readings/{k}/values", k in self.new))
                return
            if row.source == "points" and not any(any(p.values) for p in row.points):
                self.rows[k] = replace(row, source="file", points=(), values=values)
                self.filled += sum(map(bool, values))
                return
        self.rows.append(replace(entry, values=values))
        self.added += sum(map(bool, values))

    def _into(
        self, stands: Sequence[str], given: Sequence[str], field: str, new_row: bool
    ) -> tuple[str, ...]:
        """What stands in a row with what was given; `field` is the row, without the side."""
        made = []
        for side, (old, new) in enumerate(zip(stands, given, strict=True)):
            if new and old and old != new and not self.over:
                self.kept.append((f"{field}/{side}", old, new))
                made.append(old)
                continue
            self.added += bool(new and new_row)
            self.filled += bool(new and not new_row)
            made.append(new or old)
        return tuple(made)


def _alike(one: Pairs, other: Pairs, to_the_level: bool) -> bool:
    """Whether two rows state the same, whatever the order and the prefixes.

    Parameters
    ----------
    to_the_level : bool
        Whether levels must be the same as frequencies must; else within 1 dB.
    """
    left, right = _told(one), _told(other)
    if left.keys() != right.keys():
        return False
    near = _SAME if to_the_level else _NEAR
    return all(
        _near(word, right[key], CONDITION_UNITS.get(key, ""), near if key in LEVELS else _SAME)
        for key, word in left.items()
    )


def _levels_of(own: Pairs, read: Pairs) -> Pairs:
    """Conditions with the levels of others where they have them too."""
    levels = {key: word for key, word in read if key in LEVELS}
    return tuple((key, levels.get(key, word)) for key, word in own)


def _told(conditions: Pairs) -> dict[str, str]:
    return {key: word for key, word in conditions
            if word and not (key in _UNTOLD and word in ("none", ""))}


def _near(one: str, other: str, unit: str, within: float) -> bool:
    if unit:
        try:
            left, right = parse(one, unit), parse(other, unit)
        except InputError:
            return one == other
        return abs(left - right) <= within * max(abs(left), abs(right))
    return _bare(one) == _bare(other)


def _bare(word: str) -> tuple[str, ...]:
    """A list of words or frequencies, each in one way of writing it."""
    pieces = []
    for piece in word.lower().replace(" to ", ",").replace("–", ",").split(","):
        try:
            pieces.append(f"{parse(piece.strip(' []'), 'Hz'):.6g}")
        except InputError:
            pieces.append(piece.strip(" []\"'"))
    return tuple(pieces)

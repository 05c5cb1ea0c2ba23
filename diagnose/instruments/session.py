"""From point to point with a meter: a probe held still is a value, so is a key; all of it is kept.

Nothing here knows of terminals or files: keys, what is shown and where values go are given.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from circuits.errors import InputError
from circuits.quantity import exact, to_step
from diagnose.instruments.holding import Probe, Settled
from diagnose.instruments.meter import FUNCTIONS, Meter, Shown
from diagnose.instruments.points import Point

TAKE, AGAIN, SKIP, END = "take", "again", "skip", "end"
"""What a key can mean."""
_PAUSE = 0.05
"""s between two values of a meter that answers at once: more would only fill the line."""
_RELIED = 1e-5
"""Of a value: no hand meter tells more, whatever digits it sends."""


class Keys(Protocol):
    """Where words come from that a person gives while the meter is read."""

    def poll(self) -> str:
        """One of the words above, or empty where none waits."""

    def wait(self) -> str:
        """The next word; `END` where none will come."""


class Screen(Protocol):
    """What a person sees meanwhile."""

    def point(self, number: int, count: int, point: Point) -> None:
        """The next point."""

    def value(self, point: Point, text: str) -> None:
        """What the meter shows now."""

    def took(self, point: Point, text: str) -> None:
        """What was taken."""

    def note(self, text: str) -> None:
        """What happened besides."""


Put = Callable[[Point, str, bool], None]
"""A point, its value in words, and whether it goes in place of one that was taken before."""


@dataclass
class Taken:
    """What became of the points.

    Attributes
    ----------
    values : dict of Point to str
        Those that were taken, in words.
    skipped : list of Point
    ended : bool
        Whether the person ended it before the last point.
    """

    values: dict[Point, str] = field(default_factory=dict)
    skipped: list[Point] = field(default_factory=list)
    ended: bool = False


def take_points(
    points: Sequence[Point], meter: Meter, keys: Keys, screen: Screen, put: Put,
    taken: Taken | None = None, clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Taken:
    """Take one point after the other.

    Parameters
    ----------
    put : callable
        Keeps a value; called at once for each.
    taken : Taken, optional
        Where to note what was taken, for one who is interrupted.

    Raises
    ------
    InputError
        Where the meter fails or a value cannot be kept; what was taken is kept.
    """
    taken = taken if taken is not None else Taken()
    place, probes = 0, {unit: Probe(unit) for _, unit in FUNCTIONS.values()}
    state: bool | None = None
    while place < len(points):
        point = points[place]
        screen.point(place + 1, len(points), point)
        if state != point.off and (state is not None or point.off):
            # from a unit that is on to one that is off, and back, never by itself
            screen.note("press Enter when the unit is off and its reservoirs are discharged"
                        if point.off else "press Enter when the unit is on again")
            word = keys.wait()
            if word == END:
                taken.ended = True
                return taken
            if word == SKIP:
                taken.skipped.append(point)
                place += 1
                continue
        state = point.off
        meter.prepare(point.reading.quantity)
        word, value = _one(point, meter, keys, screen, probes[_unit(point)], clock, sleep)
        if word == END:
            taken.ended = True
            return taken
        if word == AGAIN:
            place = max(place - 1, 0)
            continue
        if word == SKIP:
            # one that was taken before, and gone back to, keeps its value
            taken.skipped += [point] if point not in taken.values else []
        elif value is not None:
            text = in_words(point, value, meter)
            put(point, text, point in taken.values)
            taken.values[point] = text
            if point in taken.skipped:
                taken.skipped.remove(point)
            screen.took(point, text)
        place += 1
    return taken


def _unit(point: Point) -> str:
    return FUNCTIONS[point.reading.quantity][1]


def _one(
    point: Point, meter: Meter, keys: Keys, screen: Screen, probe: Probe,
    clock: Callable[[], float], sleep: Callable[[float], None],
) -> tuple[str, Settled | None]:
    """Until a value is taken or a word is given."""
    while True:
        begun = clock()
        shown = meter.read()
        held = probe.add(clock(), shown)
        screen.value(point, _plain(point, shown))
        word = keys.poll()
        if word == TAKE:
            held = probe.now()
        elif word:
            return word, None
        if held is not None:
            probe.took(held)
            return TAKE, held
        sleep(max(_PAUSE - (clock() - begun), 0.0))


def _plain(point: Point, shown: Shown) -> str:
    if shown.over:
        return "over the range" if _unit(point) == "V" else "open"
    return to_step(shown.value, _unit(point), max(shown.step, _RELIED * abs(shown.value)))


def in_words(point: Point, value: Settled, meter: Meter) -> str:
    """A value as a sheet has it; one over the range is a bound.

    Parameters
    ----------
    meter : Meter
        Whose highest range is the bound, where it says.

    Raises
    ------
    InputError
        For a voltage over the range of a meter that does not say how far it reaches.
    """
    unit = _unit(point)
    if not value.over:
        step = max(value.step, _RELIED * abs(value.value))
        return to_step(value.value, unit, step)
    if meter.most is None and unit != "ohm":
        raise InputError(f"{point.reading.label()} is over the range of the meter, which does "
                         "not say how far it reaches", expected="a divider, or a higher range")
    if meter.most is None:
        return "OL"
    most = exact(meter.most, unit)
    return f"< -{most}" if value.value < 0.0 else f"> {most}"

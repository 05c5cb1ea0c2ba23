"""Published figures against what was measured: which ones the unit keeps, and how surely.

A value nearer to its limit than twice the standard uncertainty of the reading is *uncertain*
whichever side it lies on: twice is a coverage of about 95 % (the Guide to the expression of
uncertainty in measurement), and the zone around a limit in which nothing is proved is that of
ISO 14253-1; both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from circuits.quantity import render
from circuits.reading import Reading, compared, shown
from diagnose.answer.derived import derived
from diagnose.answer.judgement import VerdictLine
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured, usual
from diagnose.sheet.limits import Limit

COVERAGE = 2.0
"""Standard uncertainties around a limit within which a value proves nothing."""


@dataclass(frozen=True)
class Judged:
    """A case against its limits.

    Attributes
    ----------
    lines : tuple of VerdictLine
        In the order of the limits, of two channels one after the other.
    summary : str
        What they come to, a sentence a channel; empty without lines.
    unread : tuple of str
        Limits that no reading decides, in words; those of a standard are left out, since a
        standard asks for more than a bench needs.
    """

    lines: tuple[VerdictLine, ...]
    summary: str
    unread: tuple[str, ...]


def judged(case: Case) -> Judged:
    """Judge a case: every channel by itself where there are two.

    Every row of a dense sweep is judged; of those that are not weighed, only one worse than all
    others is told. What follows from the readings (`diagnose.answer.derived`) is judged as well,
    where no reading of the same name stands on the sheet.
    """
    channels = case.channels or (("", case.readings),)
    count = len(channels)
    limits = [x for x in case.limits if x.channels in (0, count)]
    further = derived(case)
    lines: list[VerdictLine] = []
    told: list[str] = []
    everything: list[Measured] = []
    for name, readings in channels:
        known = {m.reading.key() for m in readings}
        mine = [*readings, *(d.measured for d in further if d.measured is not None
                             and d.channel == name and d.measured.reading.key() not in known)]
        everything += mine
        made = list(verdict(limits, mine))
        for line in _worst_of(verdict(limits, [m for of, m in case.dense if of == name])):
            same = [x for x in made if x.figure == line.figure]
            if not same or line.margin < min(x.margin for x in same):
                made.append(line)
        made = [replace(line, channel=name) for line in sorted(made, key=lambda x: x.figure)]
        lines += made
        if made:
            told.append(summary(made, f"The {name} channel" if name else "The unit"))
    both = [d.measured for d in further if d.measured is not None and count > 1 and not d.channel]
    made = list(verdict(limits, both))
    lines += made
    if made:
        told.append(summary(made, "The pair of channels"))
    unread = unmet([x for x in limits if not x.standard], [*everything, *both])
    return Judged(tuple(lines), " ".join(told), tuple(_named(limit) for limit in unread))


def verdict(limits: Sequence[Limit], measured: Sequence[Measured]) -> tuple[VerdictLine, ...]:
    """One line for every limit and every reading that it is about.

    A reading of which only a bound is known (``< -90 dB``) gives a line where that bound decides
    and none where it does not. A limit that nothing was measured for gives no line; `unmet` names
    those.

    Returns
    -------
    tuple of VerdictLine
        In the order of the limits; values in the unit shown, percent for ``%``.
    """
    lines: list[VerdictLine] = []
    for number, limit in enumerate(limits):
        for item in measured:
            passes = _passes(limit, item) if limit.covers(item.reading) else None
            if passes is not None:
                lines.append(_line(limit, item, passes, number))
    return tuple(lines)


def unmet(limits: Sequence[Limit], measured: Sequence[Measured]) -> tuple[Limit, ...]:
    """The limits that no reading decides."""
    return tuple(
        limit
        for limit in limits
        if all(
            not limit.covers(item.reading) or _passes(limit, item) is None for item in measured
        )
    )


def summary(lines: Sequence[VerdictLine], who: str) -> str:
    """What the lines of one unit or channel come to, in a plain sentence.

    A figure that holds over a band counts once, and is met where every reading in it meets it.

    Parameters
    ----------
    lines : sequence of VerdictLine
        At least one.
    who : str
        Whom the sentence is about: ``The unit``.
    """
    worst = _worst_of(lines)
    met = sum(line.result == "met" for line in worst)
    every = "the" if len(worst) == 1 else f"all {len(worst)}"
    many = "figure" if len(worst) == 1 else "figures"
    if met == len(worst):
        return f"{who} meets {every} published {many}."
    faults = [_fault(line) for line in worst if line.result != "met"]
    count = f"{met} of {len(worst)} published {many}"
    return f"{who} meets {count if met else 'no published figure'}: {'; '.join(faults)}."


def margin_text(line: VerdictLine) -> str:
    """How far a value lies inside or outside its limit: ``12.7 dB over``, ``3.1 dB to spare``."""
    size = abs(line.margin)
    text = render(size / 100.0 if line.margin_unit == "%" else size, line.margin_unit)
    if line.margin >= 0.0:
        return f"{text} to spare"
    over = line.maximum is not None and line.measured > line.maximum
    return f"{text} {'over' if over else 'under'}"


def _worst_of(lines: Sequence[VerdictLine]) -> list[VerdictLine]:
    """For every figure the line farthest outside, or nearest to its limit."""
    figures: dict[int, list[VerdictLine]] = {}
    for line in lines:
        figures.setdefault(line.figure, []).append(line)
    return [_worst(members) for members in figures.values()]


def _worst(lines: Sequence[VerdictLine]) -> VerdictLine:
    order = {"not met": 0, "uncertain": 1, "met": 2}
    return min(lines, key=lambda line: (order[line.result], line.margin))


def _fault(line: VerdictLine) -> str:
    if line.result == "uncertain":
        return f"{line.reading} is too near its limit to be sure ({margin_text(line)})"
    return f"{line.reading} is {margin_text(line)}"


def _passes(limit: Limit, item: Measured) -> bool | None:
    """Whether the limit is kept; None where a bound leaves it open."""
    if not item.bound:
        return limit.passes(item.value)
    # "< x" puts the true value anywhere below x, "> x" anywhere above
    near, far = (limit.low, limit.high) if item.bound == "<" else (limit.high, limit.low)
    beyond = 1.0 if item.bound == "<" else -1.0
    if near is not None and (item.value - near) * beyond <= 0.0:
        return False
    if near is None and far is not None and (item.value - far) * beyond <= 0.0:
        return True
    return None


def _line(limit: Limit, item: Measured, passes: bool, number: int) -> VerdictLine:
    reading = item.reading
    room, upper = _room(limit, item)
    uncertainty = item.uncertainty if item.uncertainty is not None else usual(item)
    margin, unit = _margin(reading, room, upper)
    return VerdictLine(
        reading=reading.label(),
        measured=shown(reading, item.value),
        unit=reading.unit,
        passes=passes,
        maximum=None if limit.high is None else shown(reading, limit.high),
        minimum=None if limit.low is None else shown(reading, limit.low),
        margin=margin,
        margin_unit=unit,
        certain=bool(item.bound) or abs(room) > COVERAGE * uncertainty,
        standard=limit.standard,
        figure=number,
    )


def _room(limit: Limit, item: Measured) -> tuple[float, bool]:
    """Distance to the nearer end of a limit on the compared scale, negative outside.

    The second is whether that end is the upper one.
    """
    at = compared(item.reading, item.value)
    ends = []
    if limit.high is not None:
        ends.append((_compared(item.reading, limit.high) - at, True))
    if limit.low is not None:
        ends.append((at - _compared(item.reading, limit.low), False))
    return min(ends)


def _compared(reading: Reading, end: float) -> float:
    """An end of a limit; on a scale of ratios, one of nothing or less can never be reached."""
    if reading.scale in ("log", "level") and end <= 0.0:
        return -math.inf
    return compared(reading, end)


def _margin(reading: Reading, room: float, upper: bool) -> tuple[float, str]:
    """A distance in dB, in per cent of the limit, or in the quantity's own unit."""
    if reading.scale == "log":
        return 100.0 * (-math.expm1(-room) if upper else math.expm1(room)), "%"
    if reading.scale == "linear":
        return shown(reading, room), reading.unit
    return room, "dB"


def _named(limit: Limit) -> str:
    """A limit as people write it: ``thd at 1 kHz at most 0.2 %``."""
    label, unit = limit.reading.label(), limit.reading.unit
    if limit.band != (0.0, 0.0):
        label += f" from {render(limit.band[0], 'Hz')} to {render(limit.band[1], 'Hz')}"
    ends = [] if limit.low is None else [f"at least {render(limit.low, unit)}"]
    ends += [] if limit.high is None else [f"at most {render(limit.high, unit)}"]
    return f"{label} {' and '.join(ends)}"

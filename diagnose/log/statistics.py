"""What a shop's log says of its work.

What fails, how often the first answer was right, and what taking the readings that were proposed
saves.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.log.entry import FAULT, NOT_PROVED, Entry

SURE = 1.959964
"""Of a normal distribution, the standard deviations that hold 95 %."""
_HELD = 0.95
"""What intervals hold."""
_FEW = 5
"""Jobs of either kind from which on their times are compared."""


@dataclass(frozen=True)
class Share:
    """So many of so many, with the interval that luck leaves open (95 %)."""

    number: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Number over all; 0 of none."""
        return self.number / self.of if self.of else 0.0


@dataclass(frozen=True)
class Fails:
    """Confirmed repairs of one kind and mode."""

    kind: str
    mode: str
    number: int
    of: int


@dataclass(frozen=True)
class Times:
    """Minutes of jobs: how many, their mean and its standard error."""

    jobs: int
    mean: float
    error: float


@dataclass(frozen=True)
class Saved:
    """Minutes that jobs took less in which readings were taken as proposed, 95 % interval."""

    minutes: float
    low: float
    high: float


@dataclass(frozen=True)
class Statistics:
    """Of the shop.

    Attributes
    ----------
    fails : tuple of Fails
        The most frequent first.
    parts : tuple of (stage, part, number)
        The same by place.
    right : Share
        Jobs whose cause was proved and lay in the first answer.
    along : tuple of (number of jobs, Share)
        The same of the first so many jobs, in the order in which they were closed.
    followed, alone : Times
        Jobs in which readings were taken as proposed, and such in which they were not.
    saved : Saved or None
        None where there are too few of either.
    """

    jobs: int
    confirmed: int
    fails: tuple[Fails, ...]
    parts: tuple[tuple[str, str, int], ...]
    right: Share
    along: tuple[tuple[int, Share], ...]
    followed: Times
    alone: Times
    saved: Saved | None
    findings: tuple[tuple[str, int], ...]


def statistics(entries: Sequence[Entry]) -> Statistics:
    """What a log comes to.

    Parameters
    ----------
    entries : sequence of Entry
        Those that are not struck out.
    """
    proved = [e for e in entries if e.confirmed]
    counted = Counter((f.kind, f.mode) for e in proved for f in e.faults)
    whole = Counter(f.kind for e in proved for f in e.faults)
    places = Counter((e.stage, f.part) for e in proved for f in e.faults)
    held = [e.right for e in sorted(entries, key=lambda e: (e.closed, e.job))
            if e.right is not None]
    followed = times([e.minutes for e in entries if e.followed and e.minutes is not None])
    alone = times([e.minutes for e in entries if e.followed is False and e.minutes is not None])
    return Statistics(
        jobs=len(entries), confirmed=len(proved),
        fails=tuple(Fails(kind, mode, n, whole[kind])
                    for (kind, mode), n in sorted(counted.items(), key=lambda x: (-x[1], x[0]))),
        parts=tuple((stage, part, n)
                    for (stage, part), n in sorted(places.items(), key=lambda x: (-x[1], x[0]))),
        right=share(sum(held), len(held)),
        along=tuple((n, share(sum(held[:n]), n)) for n in range(1, len(held) + 1)),
        followed=followed, alone=alone, saved=saved(followed, alone),
        findings=_findings(entries),
    )


def share(number: int, of: int) -> Share:
    """A share with its interval (Wilson 1927, J. Am. Stat. Assoc. 22, 209)."""
    if not of:
        return Share(0, 0, 0.0, 1.0)
    p, z = number / of, SURE * SURE
    middle = (p + z / (2.0 * of)) / (1.0 + z / of)
    half = SURE * math.sqrt(p * (1.0 - p) / of + z / (4.0 * of * of)) / (1.0 + z / of)
    # the ends of nothing and of all are exact, whatever rounding makes of them
    return Share(number, of, 0.0 if not number else middle - half,
                 1.0 if number == of else middle + half)


def times(minutes: Sequence[float]) -> Times:
    """Mean and standard error; infinite error of a single one."""
    count = len(minutes)
    if not count:
        return Times(0, 0.0, math.inf)
    mean = math.fsum(minutes) / count
    if count == 1:
        return Times(1, mean, math.inf)
    square = math.fsum((x - mean) ** 2 for x in minutes) / (count - 1)
    return Times(count, mean, math.sqrt(square / count))


def saved(followed: Times, alone: Times) -> Saved | None:
    """What the one kind of job took less than the other (Welch 1947, Biometrika 34, 28)."""
    if min(followed.jobs, alone.jobs) < _FEW:
        return None
    from scipy.special import stdtrit

    parts = [(t.error**2, t.jobs - 1) for t in (followed, alone)]
    whole = math.fsum(square for square, _ in parts)
    gain = alone.mean - followed.mean
    if not whole:
        return Saved(gain, gain, gain)
    freedom = whole**2 / math.fsum(square**2 / left for square, left in parts)
    half = float(stdtrit(freedom, 0.5 * (1.0 + _HELD))) * math.sqrt(whole)
    return Saved(gain, gain - half, gain + half)


def _findings(entries: Sequence[Entry]) -> tuple[tuple[str, int], ...]:
    words = Counter(NOT_PROVED if e.finding == FAULT and e.proof == NOT_PROVED else e.finding
                    for e in entries)
    return tuple(sorted(words.items(), key=lambda x: -x[1]))


def statistics_json(made: Statistics) -> dict[str, Any]:
    """As plain data."""
    return {
        "jobs": made.jobs, "confirmed": made.confirmed,
        "findings": [{"finding": word, "number": n} for word, n in made.findings],
        "fails": [{"kind": f.kind, "mode": f.mode, "number": f.number, "of": f.of}
                  for f in made.fails],
        "parts": [{"stage": s, "part": p, "number": n} for s, p, n in made.parts],
        "right": _share_json(made.right),
        "minutes": {"followed": _times_json(made.followed), "alone": _times_json(made.alone),
                    "saved": None if made.saved is None else {
                        "minutes": made.saved.minutes, "low": made.saved.low,
                        "high": made.saved.high}},
    }


def _share_json(one: Share) -> dict[str, Any]:
    return {"number": one.number, "of": one.of, "low": one.low, "high": one.high}


def _times_json(one: Times) -> dict[str, Any]:
    return {"jobs": one.jobs, "mean": one.mean,
            "error": one.error if math.isfinite(one.error) else None}

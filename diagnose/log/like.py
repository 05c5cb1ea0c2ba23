"""Cases before that are like the one at hand, and what was done to the same unit.

Two cases are alike whose readings departed from healthy alike. A departure counts in units of the
spread of good units and the meter, compressed (the inverse hyperbolic sine): whether a voltage is
200 or 300 spreads off tells little, whether it is 0 or 3 tells much. The distance is the root mean
square of the differences over the readings that both have.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from diagnose.answer.departures import Departure
from diagnose.answer.from_log import Earlier, Like, ThenNow
from diagnose.log.entry import Entry, Seen, bare

MOST_LIKE = 5
"""Cases before that are told."""
_MOST_EARLIER = 10
"""Jobs on the same unit that are told."""
FAR = 1.5
"""A case farther off is not like: of readings that depart by ten spreads, one that went the other
way altogether is 3 off, and one that did not move half of it (judgement)."""
_LEAST = 0.5
"""Of the readings of the case at hand, the share that both must have."""


def distance(off: Mapping[str, float], seen: Sequence[Seen]) -> tuple[float, int]:
    """How unlike two cases are, and over how many readings; infinite where they share none.

    Parameters
    ----------
    off : mapping of reading to float
        Departures of the case at hand.
    """
    squares = [(math.asinh(off[s.reading]) - math.asinh(s.off)) ** 2
               for s in seen if s.reading in off]
    if not squares:
        return math.inf, 0
    return math.sqrt(math.fsum(squares) / len(squares)), len(squares)


def like(
    departures: Sequence[Departure], before: Sequence[Entry], but: str = ""
) -> tuple[Like, ...]:
    """The nearest cases before, the nearest first.

    Parameters
    ----------
    before : sequence of Entry
        Of the same stage or topology.
    but : str
        The job at hand, which is no case before.
    """
    off = {d.reading: d.off for d in departures}
    found: list[Like] = []
    for entry in before:
        apart, shared = distance(off, entry.seen)
        if entry.job != but and apart <= FAR and shared >= _LEAST * len(off):
            found.append(Like(entry.job, entry.closed, entry.stage, entry.was, entry.proof,
                              entry.minutes, apart, shared))
    return tuple(sorted(found, key=lambda x: x.distance)[:MOST_LIKE])


def same_unit(
    departures: Sequence[Departure], unit: str, serial: str, before: Sequence[Entry], but: str = ""
) -> tuple[Earlier, ...]:
    """What was done before to the unit of a serial number, the latest first.

    Parameters
    ----------
    unit : str
        What it is; where either sheet does not say, the serial number alone tells.
    before : sequence of Entry
        Those with a serial number.
    """
    if not bare(serial):
        return ()
    now = {d.reading: d.measured for d in departures}
    return tuple(
        Earlier(entry.job, entry.closed, entry.was, entry.proof, entry.cause, entry.parts,
                entry.minutes,
                tuple(ThenNow(s.reading, s.measured, now.get(s.reading), s.healthy, s.unit)
                      for s in entry.seen))
        for entry in before
        if entry.job != but and bare(entry.serial) == bare(serial)
        and (not bare(unit) or not bare(entry.unit) or bare(entry.unit) == bare(unit))
    )[:_MOST_EARLIER]

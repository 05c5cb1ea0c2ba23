"""What is learnt from a log: shares of modes from confirmed repairs, rates where time was entered.

Answers that nobody confirmed are never learnt from: a shop that believes its first answers teaches
itself what it believed before. Tolerances and model errors are not learnt either.
"""

from __future__ import annotations

import math

from diagnose.log.book import Log
from faultlib.learnt import Count, Learnt, Served


def learnt(log: Log, but: str = "") -> Learnt:
    """What a log says of how parts fail.

    Parameters
    ----------
    but : str
        A job that is left out: the one that is asked about.
    """
    counts = tuple(Count(*row) for row in log.confirmed(but))
    return Learnt(log.count_confirmed(but), counts, _served(log, but))


def _served(log: Log, but: str) -> tuple[Served, ...]:
    served = log.services()
    if not served:
        return ()
    failed = log.confirmed_of(served, but)
    due: dict[str, list[float]] = {}
    for one in served:
        for kind, expected in one.expected().items():
            due.setdefault(kind, []).append(expected)
    return tuple(Served(kind, math.fsum(each), failed.get(kind, 0))
                 for kind, each in sorted(due.items()))

"""How long a step of a ranking still takes, from the units that are done of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

_WINDOW = 0.5
"""How much of what is done is looked at, the latest: units that come first are often known."""


@dataclass
class Pace:
    """One step: how many units were done when.

    Attributes
    ----------
    what : str
        What is being simulated.
    total : int
        Of how many, by the last report: some turn out not to be needed.
    seen : list of (seconds, units)
        Reports so far, in order.
    """

    what: str
    total: int
    seen: list[tuple[float, int]] = field(default_factory=list)

    def report(self, what: str, done: int, total: int, now: float) -> Pace:
        """The step with one more report; another where that is of another, or begins anew."""
        if what != self.what or (self.seen and done < self.seen[-1][1]):
            return Pace(what, total, [(now, done)])
        self.total = total
        self.seen.append((now, done))
        return self

    def left(self, now: float) -> float | None:
        """Seconds that are left; None where nothing tells yet, or no longer.

        The latest half of the units tells the pace, and the wait since the last report counts.
        """
        if len(self.seen) < 2:
            return None
        end, done = self.seen[-1]
        begin, from_ = next(
            ((t, k) for t, k in self.seen if k >= (1.0 - _WINDOW) * done), self.seen[0])
        if done <= from_:
            begin, from_ = self.seen[0]
        if done <= from_ or end <= begin:
            return None
        left = (end - begin) / (done - from_) * (self.total - done) - (now - end)
        return left if left > 0.0 else None


SHORT = 5.0
"""s: less is hardly waited for, and as the least that may be left it would say nothing."""


def words(seconds: float) -> str:
    """A duration that nobody can tell exactly, such as ``about 40 s``."""
    if seconds < SHORT:
        return "a few seconds"
    if seconds < 55.0:
        return f"about {math.ceil(seconds / 5.0) * 5} s"
    minutes = round(seconds / 60.0)
    return "about a minute" if minutes <= 1 else f"about {minutes} minutes"

"""How long a step of a ranking still takes, from the units that are done of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

_WINDOW = 0.5
"""Of the way, how much of the latest is looked at: units that come first are often known."""


@dataclass
class Pace:
    """One step: how many units were done when.

    Attributes
    ----------
    what : str
        What is being simulated.
    total : int
        Of how many.
    seen : list of (seconds, units)
        Reports so far, in order.
    """

    what: str
    total: int
    seen: list[tuple[float, int]]

    def goes_on(self, what: str, done: int, total: int) -> bool:
        """Whether a report is of this step, and not of another or of the same begun anew."""
        return what == self.what and total == self.total and done >= self.seen[-1][1]

    def left(self, now: float) -> float | None:
        """Seconds that are left; None where nothing tells yet.

        The latest half of the reports tells the pace, and the wait since the last one counts.
        """
        end, done = self.seen[-1]
        if done >= self.total:
            return 0.0
        begin, from_ = next(
            ((t, k) for t, k in self.seen if k >= (1.0 - _WINDOW) * done), self.seen[0])
        if done <= from_:
            begin, from_ = self.seen[0]
        if done <= from_ or end <= begin:
            return None
        per_unit = (end - begin) / (done - from_)
        return max(0.0, per_unit * (self.total - done) - (now - end))


def words(seconds: float) -> str:
    """A duration that nobody can tell exactly, such as ``about 40 s``."""
    if seconds < 5.0:
        return "a few seconds"
    if seconds < 55.0:
        return f"about {math.ceil(seconds / 5.0) * 5} s"
    minutes = round(seconds / 60.0)
    return "about a minute" if minutes <= 1 else f"about {minutes} minutes"

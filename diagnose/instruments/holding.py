"""When a value counts as taken by itself: the probe was put on a point and held still.

Leads in the air read about nothing as a voltage, and open as a resistance; so such values wait for
a key. After a take the probe must have left the point before another is taken by itself.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from diagnose.instruments.meter import Shown

STILL = 0.5
"""s that a probe is held still."""
_WITHIN = 2e-3
"""Of the value: how far it may move in that time."""
_STEADY = {"V": 2e-3, "ohm": 0.2}
"""V and ohm that it may move whatever it is: the noise of leads that are held by hand."""
_AIR = 0.02
"""V: leads in the air pick up as much, so what is less may be no point at all."""
_LEFT = 0.05
"""Of the value taken: what is further from it, or back in the air, is another point."""
_LEAST = 3
"""Values in that time, at least."""


@dataclass(frozen=True)
class Settled:
    """A value that stood still.

    Attributes
    ----------
    value : float
        Mean, V or ohm; of one over the range its sign counts.
    step : float
        What of it can be relied on: the last digit of the meter, or how far it moved.
    """

    value: float
    over: bool
    step: float


@dataclass
class Probe:
    """The probe on its way from point to point.

    Parameters
    ----------
    unit : str
        ``V`` or ``ohm``.
    """

    unit: str
    _seen: deque[tuple[float, Shown]] = field(default_factory=deque)
    _taken: Settled | None = None

    def add(self, at: float, value: Shown) -> Settled | None:
        """One value more; what has stood still long enough on a point, else None.

        Parameters
        ----------
        at : float
            s.
        """
        if self._taken is not None and self._left(value):
            self._taken = None
            self._seen.clear()
        self._seen.append((at, value))
        while self._moved():
            self._seen.popleft()
        while len(self._seen) > _LEAST and at - self._seen[1][0] >= STILL:
            self._seen.popleft()
        long_enough = at - self._seen[0][0] >= STILL and len(self._seen) >= _LEAST
        if self._taken is not None or self._in_air(value) or not long_enough:
            return None
        return self.now()

    def now(self) -> Settled | None:
        """What stands now, however short; None before the first value."""
        if not self._seen:
            return None
        last = self._seen[-1][1]
        if last.over:
            return Settled(last.value, True, 0.0)
        values = [shown.value for _, shown in self._seen]
        return Settled(sum(values) / len(values), False,
                       max(last.step, (max(values) - min(values)) / 2.0))

    def took(self, value: Settled) -> None:
        """Note what was taken, so that it is not taken again while the probe stays."""
        self._taken = value

    def _moved(self) -> bool:
        """Whether what was seen first is no more what is seen now."""
        last = self._seen[-1][1]
        values = [shown.value for _, shown in self._seen if not shown.over]
        if len(values) != len(self._seen):
            return not (last.over and not values)
        return max(values) - min(values) > max(_WITHIN * abs(last.value), _STEADY[self.unit])

    def _in_air(self, value: Shown) -> bool:
        if self.unit == "V":
            return not value.over and abs(value.value) < _AIR
        return value.over

    def _left(self, value: Shown) -> bool:
        assert self._taken is not None
        if value.over or self._taken.over:
            return value.over != self._taken.over
        apart = abs(value.value - self._taken.value)
        least = _AIR if self.unit == "V" else _STEADY["ohm"]
        return apart > max(_LEFT * abs(self._taken.value), least)

"""Readings to take again before anything is replaced: those that nothing likely explains.

One digit lost or a probe on the wrong pin speaks against every fault alike. What is told here is
that of an otherwise sound set of readings, one by one: the reading that lies farthest from what all
others let expect is taken out, and the rest looked at again, since a reading that is wrong makes
its neighbours look wrong too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from circuits.reading import from_compared, shown
from diagnose.inference.censored import contradictions
from diagnose.inference.likelihood import Array, Covariance, Observed
from diagnose.inference.model_error import Designed

if TYPE_CHECKING:
    from diagnose.inference.infer import Weighing

_FAR = 5.0
"""Standard deviations, given all others, from which on a reading speaks against an answer."""
_MOST = 3
"""Readings that are named; where more are off, it is no slip, and no single reading is to blame."""
_SHARE = 0.01
"""Of what all known faults have together: one that has less need not explain anything."""
_LEADS = 0.1
"""The same of one whose own stumbling block is named where there is none in common."""
_CAUSES = 12
"""Known faults that are looked at, by falling probability."""


@dataclass(frozen=True)
class ReadAgain:
    """A reading that no likely fault explains, in the unit shown.

    Attributes
    ----------
    channel : str
        Empty where there is one.
    bound : str
        ``<`` or ``>`` where the sheet gives a limit, else empty.
    healthy : float
        What a good unit gives.
    predicted : float
        What the likeliest known fault gives.
    cause : str
        That fault; empty where none is known, and `predicted` is what a good unit gives.
    unit : str
        Of all three.
    """

    reading: str
    channel: str
    measured: float
    bound: str
    healthy: float
    predicted: float
    cause: str
    unit: str


def read_again(made: Weighing) -> tuple[ReadAgain, ...]:
    """Readings that neither health nor any likely fault explains, the farthest off first.

    Returns
    -------
    tuple of ReadAgain
        At most three.
    """
    observed = made.observed
    known = made.posterior.suspects
    total = sum(p for _, p in known)
    likely = [s for s, p in known[:_CAUSES] if p >= _SHARE * total]
    rows = [(s.predicted[s.best], s.spread) for s in likely]
    good = _unexplained(observed, made.found.healthy, made.posterior.healthy_spread)
    each = [_unexplained(observed, *row) for row in rows]
    if not good or not all(each):
        return ()  # something explains them all
    left = {k: min(apart[k] for apart in (good, *each)) for k in good
            if all(k in apart for apart in each)}
    if not left:  # every fault stumbles, over another reading each: one of these is off
        leading = [apart for apart, (_, p) in zip(each, known, strict=False) if p >= _LEADS * total]
        left = {k: far for apart in leading for k, far in apart.items()}
    if len(left) > _MOST:
        return ()
    cause = " with ".join(h.label() for h in likely[0].hypotheses) if likely else ""
    best = rows[0][0] if rows else made.found.healthy
    return tuple(_told(made, k, best, cause) for k in sorted(left, key=lambda k: -left[k]))


def _unexplained(observed: Observed, predicted: Array, around: Covariance) -> dict[int, float]:
    """Readings by how far they are off, the farthest taken out one by one."""
    matrix = around.factor @ around.factor.T
    inside = list(range(len(observed.readings)))
    far: dict[int, float] = {}
    while inside and len(far) <= _MOST:
        spread = Covariance.of(matrix[np.ix_(inside, inside)])
        apart = np.abs(contradictions(observed.some(inside), predicted[inside], spread))
        worst = int(np.argmax(apart))
        if apart[worst] <= _FAR:
            break
        far[inside.pop(worst)] = float(apart[worst])
    return {k: apart for k, apart in far.items() if not isinstance(observed.readings[k], Designed)}


def _told(made: Weighing, k: int, best: Array, cause: str) -> ReadAgain:
    observed = made.observed
    reading = observed.readings[k]
    channel = ""
    if observed.channels:
        other = next(name for name, _ in made.case.channels if name != made.case.suspect)
        channel = (made.case.suspect, other)[observed.channels[k]]
    read, healthy, predicted = (
        shown(reading, from_compared(reading, float(x)))
        for x in (observed.values[k], made.found.healthy[k], best[k])
    )
    return ReadAgain(reading.label(), channel, read, observed.bounds[k], healthy, predicted, cause,
                     reading.unit)


def read_again_json(one: ReadAgain) -> Mapping[str, Any]:
    """Its entry in a document."""
    told: dict[str, Any] = {"reading": one.reading, "measured": one.measured, "unit": one.unit,
                            "healthy": one.healthy, "predicted": one.predicted, "cause": one.cause}
    if one.channel:
        told["channel"] = one.channel
    if one.bound:
        told["bound"] = one.bound
    return told

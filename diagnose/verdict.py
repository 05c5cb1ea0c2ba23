"""Published figures against what was measured: which ones the unit keeps."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.reading import shown
from diagnose.entry import Measured
from diagnose.limits import Limit
from diagnose.result import VerdictLine


def verdict(limits: Sequence[Limit], measured: Sequence[Measured]) -> tuple[VerdictLine, ...]:
    """One line for every limit and every reading that it is about.

    A reading of which only a bound is known (``< -90 dB``) gives a line where that bound decides
    and none where it does not. A limit that nothing was measured for gives no line; `unmet` names
    those.

    Parameters
    ----------
    limits : sequence of Limit
    measured : sequence of Measured

    Returns
    -------
    tuple of VerdictLine
        In the order of the limits; values in the unit shown, percent for ``%``.
    """
    made: list[VerdictLine] = []
    for limit in limits:
        for item in measured:
            passes = _passes(limit, item) if limit.covers(item.reading) else None
            if passes is not None:
                made.append(_line(limit, item, passes))
    return tuple(made)


def unmet(limits: Sequence[Limit], measured: Sequence[Measured]) -> tuple[Limit, ...]:
    """The limits that no reading decides."""
    return tuple(
        limit
        for limit in limits
        if all(
            not limit.covers(item.reading) or _passes(limit, item) is None for item in measured
        )
    )


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


def _line(limit: Limit, item: Measured, passes: bool) -> VerdictLine:
    reading = item.reading
    return VerdictLine(
        reading=reading.label(),
        measured=shown(reading, item.value),
        unit=reading.unit,
        passes=passes,
        maximum=None if limit.high is None else shown(reading, limit.high),
        minimum=None if limit.low is None else shown(reading, limit.low),
    )

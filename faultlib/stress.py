"""Where a capacitor fails oftener: what its value, voltage and neighbours' heat do to a prior."""

from __future__ import annotations

from circuits.stage import GROUND, Part, Stage
from faultlib.mode import Stress

_USUAL = 0.6
"""Of the rated voltage: what MIL-HDBK-217F counts from, and what designers keep to."""
_MOST = 4.0
"""A factor beyond this, or under one over this, is not believed (judgement)."""


def stress_factor(stress: Stress | None, stage: Stage, part: Part) -> float:
    """How much oftener a mode is met of this part than of a usual one of its kind.

    The voltage is known where a part stands between rails and ground and its rating is given; heat
    where the stage file states the part's `heat`.
    """
    if stress is None:
        return 1.0
    factor = 1.0
    if stress.value and part.value:
        factor *= (part.value / stress.of) ** stress.value
    across = _across(stage, part)
    if stress.volts and part.rating and across is not None:
        share = across / part.rating / _USUAL
        factor *= (share**stress.volts + 1.0) / 2.0
    if stress.heat:
        factor *= float(2.0 ** (part.heat / stress.heat))
    return min(max(factor, 1.0 / _MOST), _MOST)


def _across(stage: Stage, part: Part) -> float | None:
    """Volts across a part between rails and ground, None where that takes a simulation."""
    known = {GROUND: 0.0} | {rail.name: rail.volts for rail in stage.rails}
    ends = [known.get(node) for node in part.nodes[:2]]
    if len(ends) < 2 or ends[0] is None or ends[1] is None:
        return None
    return abs(ends[0] - ends[1])

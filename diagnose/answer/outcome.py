"""What the answer is, in one place: suspects, nothing wrong that shows, or not in the library."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from circuits.stage import Stage
from diagnose.answer.kinds import KINDS as KINDS
from diagnose.answer.kinds import NOTHING as NOTHING
from diagnose.answer.kinds import SUSPECTS as SUSPECTS
from diagnose.answer.kinds import UNKNOWN as UNKNOWN
from diagnose.inference.evidence import fault_at
from diagnose.inference.hidden import MOSTLY, Hiding
from faultlib.catalogue import size_value

_LEAST = 0.002
"""Hidden faults less probable than this are not told one by one."""


@dataclass(frozen=True)
class Outcome:
    """The answer in one line.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    probability : float
        Of suspects: of their leading group.
    """

    kind: str
    probability: float


@dataclass(frozen=True)
class Hidden:
    """A fault that may be there and does not show in the readings.

    Attributes
    ----------
    part, mode, role : str
    probability : float
    shows_from : float or None
        Size (SI units) from which on the readings would show it; None where they never do.
    quantity, unit : str
        Of that size; empty for a mode without one.
    """

    part: str
    mode: str
    role: str
    probability: float
    shows_from: float | None = None
    quantity: str = ""
    unit: str = ""


def outcome(nothing: float, unknown: float, group: float) -> Outcome:
    """Which of the three is most probable.

    Parameters
    ----------
    nothing : float
        That nothing is wrong, or nothing that shows.
    unknown : float
        That it is a fault of no library.
    group : float
        Of the leading group of suspects that show.
    """
    chances = dict(zip(KINDS, (group, nothing, unknown), strict=True))
    kind = max((NOTHING, UNKNOWN, SUSPECTS), key=lambda name: chances[name])
    return Outcome(kind, chances[kind])


def hidden_faults(stage: Stage, parts: Sequence[Hiding]) -> tuple[Hidden, ...]:
    """The faults that mostly look like health, by falling probability."""
    roles = {part.name: part.role for part in stage.parts}
    faults = [
        _hidden(one, stage, roles)
        for one in parts
        if one.share >= MOSTLY and one.probability >= _LEAST
        and len(one.scored.hypotheses) == 1
    ]
    return tuple(sorted(faults, key=lambda h: -h.probability))


def _hidden(one: Hiding, stage: Stage, roles: dict[str, str]) -> Hidden:
    (hypothesis,) = one.scored.hypotheses
    size = None
    if one.place is not None:
        size = size_value(stage, fault_at(hypothesis, one.place))
    return Hidden(
        hypothesis.part, hypothesis.mode.name, roles.get(hypothesis.part, ""), one.probability,
        None if size is None else size.value,
        "" if size is None else size.quantity, "" if size is None else size.unit,
    )


def outcome_json(found: Outcome) -> dict[str, Any]:
    """The key ``answer`` of ``diagnose rank --json``."""
    return {"kind": found.kind, "probability": found.probability}


def hidden_json(found: Hidden) -> dict[str, Any]:
    """An entry of the key ``hidden``."""
    return {
        "part": found.part, "mode": found.mode, "role": found.role,
        "probability": found.probability, "shows from": found.shows_from,
        "quantity": found.quantity, "unit": found.unit,
    }

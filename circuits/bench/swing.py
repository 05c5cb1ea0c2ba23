"""How large a line can be at all in a stage that runs from rails.

Hum is worked out from small signals, which know no end: what comes in by a broken earth would be
kilovolts at the output of an amplifier on 31 V. A voltage that stays between two limits has no line
larger than that of the square wave between them (the largest Fourier coefficient of what is bounded
by A is 4·A/π, that of a signal as often at +A as its sine is positive).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from circuits.kinds import kind
from circuits.stage import Stage

SQUARE = 4.0 / math.pi / math.sqrt(2.0)
"""RMS of the first line of a square wave over its amplitude."""
_WOUND = 2.0
"""How far an anode or collector goes whose load is a winding: to twice its rail (class A with a
transformer, common practice)."""
_LEAST_HENRY = 1e-3
"""Inductance that does anything at mains lines: 0.3 ohm at 50 Hz, which is judgement."""


@dataclass(frozen=True)
class Bound:
    """What bounds some points of a stage, found out once for all its variants.

    Attributes
    ----------
    rails : tuple of tuple of str
        Of each point the rails around it; none where nothing bounds it.
    reach : tuple of float
        How far each point goes, over the amplitude that its rails allow.
    """

    rails: tuple[tuple[str, ...], ...]
    reach: tuple[float, ...]

    def lines(self, stage: Stage) -> list[float]:
        """The largest line that each point can have, V RMS; infinite where nothing bounds it.

        Parameters
        ----------
        stage : Stage
            A variant, with its rails as they are: one that has fallen bounds more.
        """
        volts = {rail.name: rail.volts for rail in stage.rails}
        spans = [max([0.0, *(volts[n] for n in names)]) - min([0.0, *(volts[n] for n in names)])
                 for names in self.rails]
        return [0.5 * span * SQUARE * reach if span else math.inf
                for span, reach in zip(spans, self.reach, strict=True)]


def bound(stage: Stage, points: Sequence[str]) -> Bound:
    """What bounds some points of a stage.

    Parameters
    ----------
    points : sequence of str
        Nodes; empty for the output. A rail is bounded by itself and ground, a node of a unit by the
        rails of its own stage.
    """
    names = {rail.name for rail in stage.rails}
    wound = _WOUND if _has_windings(stage) else 1.0
    return Bound(
        tuple((at,) if at in names else _around(stage, at or stage.output) for at in points),
        tuple(1.0 if at in names else wound for at in points),
    )


def _around(stage: Stage, at: str) -> tuple[str, ...]:
    """The rails of the stage that a node belongs to."""
    chain = stage.chain
    owner = "" if chain is None else chain.owner(at)
    if chain is None or owner not in chain.names:
        return tuple(rail.name for rail in stage.rails)
    fed = {node for name, node in chain.aliases if name.startswith(f"{owner}.")}
    return tuple(rail.name for rail in stage.rails
                 if rail.name in fed or rail.name.startswith(f"{owner}."))


def _has_windings(stage: Stage) -> bool:
    return any(
        kind(part.kind).family == "transformer"
        or (kind(part.kind).family == "inductor" and (part.value or 0.0) >= _LEAST_HENRY)
        for part in stage.parts
    )

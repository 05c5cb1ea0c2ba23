"""Two channels of one unit on one bench: the good one tells what the stage file does not know.

Readings of both channels are one vector. The suspect channel has the fault; parts vary within
each channel by themselves; what the stage file has wrong (its nominal values, its device data,
the error of the model) both channels have in common. A fault in a supply that both share shows in
both, one in a channel's own parts does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.likelihood import Observed
from faultlib.simulate import Answer, Bench, Problem, Progress, Variant
from faultlib.tolerance import MAINS, Spread, spreads

NOMINAL = 0.05
"""Standard deviation of how far this unit's nominal values lie from the stage file's, in both
channels alike, where the sheet does not say otherwise: the file is a generic topology
(judgement)."""


def doubted(stage: Stage, known: Sequence[str] = ()) -> tuple[Spread, ...]:
    """What varies between good units of a topology whose nominal values are not quite known.

    Parameters
    ----------
    stage : Stage
    known : sequence of str
        Parts whose values the sheet states, so that only their tolerance is left.
    """
    return tuple(
        replace(s, sigma=math.hypot(s.sigma, NOMINAL), bounded=False)
        if s.what == "value" and s.target not in known
        else s
        for s in spreads(stage)
    )


@dataclass(frozen=True)
class Other(Spread):
    """A number of the reference channel."""


@dataclass(frozen=True)
class Common(Spread):
    """A nominal value or device parameter that both channels have in common."""


def common_spreads(stage: Stage, shared: Sequence[str]) -> tuple[Spread, ...]:
    """What varies in a unit of two channels.

    Parameters
    ----------
    stage : Stage
        One channel.
    shared : sequence of str
        Rails (and names of their transformers) that feed both channels.

    Returns
    -------
    tuple of Spread
        The suspect channel's own and the shared supply's, `Other` for the reference channel's
        own, `Common` for what the stage file has wrong.
    """
    found: list[Spread] = []
    for one in spreads(stage):
        found.append(one)
        if is_shared(one.target, shared):
            continue
        found.append(Other(one.target, one.what, one.sigma, one.bounded))
        if one.what == "value":
            found.append(Common(one.target, one.what, NOMINAL))
        elif one.what not in ("esr", "volts", "ripple", "pickup"):
            found.append(Common(one.target, one.what, one.sigma))
    return tuple(found)


def is_shared(name: str, shared: Sequence[str]) -> bool:
    """Whether a part, rail or part of a supply (``vcc reservoir``) feeds both channels."""
    return name == MAINS or name in shared or (" " in name and name.partition(" ")[0] in shared)


@dataclass(frozen=True)
class TwoChannels:
    """A bench that takes readings of both channels of a variant.

    Attributes
    ----------
    bench : Bench
        Takes readings of one channel.
    shared : tuple of str
    count : int
        How many of the readings, the first ones, are the suspect channel's.
    """

    bench: Bench
    shared: tuple[str, ...]
    count: int

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of both channels of every variant, side by side."""
        halves = [self._suspect(v) for v in variants], [self._reference(v) for v in variants]
        parts = readings[: self.count], readings[self.count :]
        rows: list[NDArray[np.float64]] = []
        problems: list[Problem] = []
        simulated = 0
        for half, mine in zip(halves, parts, strict=True):
            unique = list(dict.fromkeys(half))
            answer = self.bench.values(stage, unique, mine, progress)
            place = {variant: k for k, variant in enumerate(unique)}
            rows.append(answer.values[[place[v] for v in half]])
            problems += answer.problems
            simulated += answer.simulated
        return Answer(np.hstack(rows), tuple(dict.fromkeys(problems)), simulated)

    def _suspect(self, variant: Variant) -> Variant:
        return Variant(
            variant.faults,
            tuple((_plain(s), z) for s, z in variant.deviations if not isinstance(s, Other)),
        )

    def _reference(self, variant: Variant) -> Variant:
        faults = tuple(f for f in variant.faults if is_shared(f.part, self.shared))
        return Variant(
            faults,
            tuple(
                (_plain(s), z)
                for s, z in variant.deviations
                if isinstance(s, Other | Common) or is_shared(s.target, self.shared)
            ),
        )


def _plain(spread: Spread) -> Spread:
    return Spread(spread.target, spread.what, spread.sigma, spread.bounded)


def side_by_side(suspect: Observed, reference: Observed) -> Observed:
    """Readings of both channels as one vector, the suspect's first."""
    return Observed(
        suspect.readings + reference.readings,
        np.concatenate([suspect.values, reference.values]),
        np.concatenate([suspect.bench, reference.bench]),
        suspect.bounds + reference.bounds,
        (0,) * len(suspect.readings) + (1,) * len(reference.readings),
    )


def alike(parts: Sequence[tuple[str, float]], shared: Sequence[str]) -> float:
    """Probability that what is wrong feeds both channels.

    Parameters
    ----------
    parts : sequence of (part, probability)
    shared : sequence of str
    """
    return math.fsum(p for part, p in parts if is_shared(part, shared))

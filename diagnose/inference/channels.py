"""Two channels of one unit on one bench: the good one tells what the stage file does not know.

Readings of both channels are one vector. The suspect channel has the fault; parts vary within
each channel by themselves; what the stage file has wrong (its nominal values, its device data,
the error of the model) both channels have in common. A fault in a supply that both share shows in
both, one in a channel's own parts does not.

Two readings are of the pair. Crosstalk belongs to the channel that listens, and is simulated with
the other one beside. The balance is the gain of the right channel less that of the left one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from circuits.quantities import BALANCE, CROSSTALK
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.likelihood import Array, Observed
from faultlib.designs import another_design, designs
from faultlib.makes import left_open
from faultlib.simulate import Answer, Bench, Problem, Progress
from faultlib.tolerance import LeftOpen, Spread, spreads
from faultlib.variant import Variant, is_shared

__all__ = [
    "NOMINAL", "STRAY", "Common", "Other", "TwoChannels", "alike", "common_spreads", "doubted",
    "is_shared", "plain", "side_by_side",
]

NOMINAL = 0.05
"""Standard deviation of how far this unit's nominal values lie from the stage file's, in both
channels alike, where the sheet does not say otherwise: the file is a generic topology
(judgement)."""
GENERIC = 0.1
"""The same of two channels together: what both have in common the good one tells, so that a stage
file may be farther off than one dares to assume without (judgement)."""
COMMON = 4.0
"""`Observed.common` of two channels (judgement; of 1, 2 and 8, tried on 60 foreign pairs of two
stages, none was better on both)."""
STRAY = 0.35
"""Standard deviation of the logarithm of how far stray mains and the ripple of a rail lie from the
stage file's, from one layout and transformer to the next (judgement)."""


def doubted(
    stage: Stage, known: Sequence[str] = (), kind_only: bool = False
) -> tuple[Spread, ...]:
    """What varies between good units of a topology whose nominal values are not quite known.

    Parameters
    ----------
    known : sequence of str
        Parts whose values the sheet states, so that only their tolerance is left.
    kind_only : bool
        Whether the stage file tells no more than the kind of stage (`faultlib.designs`).
    """
    stray = designs().stray if kind_only else STRAY
    nominal = 0.0 if kind_only else NOMINAL
    own = [_doubted(s, 0.0 if s.target in known else nominal, stray) for s in spreads(stage)]
    more = another_design(stage, tuple(known)) if kind_only else ()
    return (*own, *left_open(stage), *more)


def _doubted(one: Spread, nominal: float, stray: float) -> Spread:
    if one.what == "value" and nominal:
        return replace(one, sigma=math.hypot(one.sigma, nominal), bounded=False)
    if one.what in ("pickup", "ripple"):
        return replace(one, sigma=math.hypot(one.sigma, stray))
    return one


@dataclass(frozen=True)
class Other(Spread):
    """A number of the reference channel."""


@dataclass(frozen=True)
class Common(Spread):
    """A nominal value or device parameter that both channels have in common."""


def common_spreads(
    stage: Stage, shared: Sequence[str], kind_only: bool = False
) -> tuple[Spread, ...]:
    """What varies in a unit of two channels.

    Parameters
    ----------
    stage : Stage
        One channel.
    shared : sequence of str
        Rails (and names of their transformers) that feed both channels, and parts of both.
    kind_only : bool
        As `doubted`; both channels are of one design.

    Returns
    -------
    tuple of Spread
        The suspect channel's own and what is shared, `Other` for the reference channel's own,
        `Common` for what the stage file has wrong.
    """
    varying: list[Spread] = []
    drawn = {part.name for part in stage.parts}
    for one in spreads(stage):
        varying.append(one)
        if is_shared(one.target, shared):
            if one.what == "value" and one.target in drawn:
                varying.append(Common(one.target, one.what, GENERIC))
            continue
        varying.append(Other(one.target, one.what, one.sigma, one.bounded))
        if one.what == "value":
            varying.append(Common(one.target, one.what, GENERIC))
        elif one.what not in ("esr", "volts", "ripple", "pickup", "tilt"):
            varying.append(Common(one.target, one.what, one.sigma))
    return (*varying, *left_open(stage), *(another_design(stage) if kind_only else ()))


@dataclass(frozen=True)
class TwoChannels:
    """A bench that takes readings of both channels of a variant.

    Attributes
    ----------
    bench : Bench
        Takes readings of one channel.
    shared : tuple of str
        Parts and rails that both channels have.
    count : int
        How many of the readings, the first ones, are the suspect channel's, where no reading says
        itself that it is of the reference channel: one that is asked for beside others of its
        kind only has another place.
    right : bool
        Whether the suspect channel is the right one, which the balance is told over the other.
    """

    bench: Bench
    shared: tuple[str, ...]
    count: int
    right: bool = True

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of both channels of every variant, in the order asked for."""
        owners = self._owners(readings)
        readings = [replace(r, channel=0) if r.channel else r for r in readings]
        halves = [self._suspect(v) for v in variants], [self._reference(v) for v in variants]
        columns = _Columns(self.bench, progress, np.full((len(variants), len(readings)), np.nan))
        balances = [k for k, r in enumerate(readings) if r.quantity == BALANCE]
        gains = [Reading("gain", frequency=readings[k].frequency) for k in balances]
        levels: list[Array] = []
        for which, half in enumerate(halves):
            mine = [k for k, owner in enumerate(owners) if owner == which]
            alone = [k for k in mine if readings[k].quantity not in (CROSSTALK, BALANCE)]
            wanted = [*(readings[k] for k in alone), *gains]
            taken = columns.taken(stage, half, wanted)
            columns.rows[:, alone] = taken[:, : len(alone)]
            levels.append(taken[:, len(alone) :])
            heard = [k for k in mine if readings[k].quantity == CROSSTALK]
            pairs = [replace(a, beside=b) for a, b in zip(half, halves[1 - which], strict=True)]
            both = replace(stage, shared=self.shared)
            columns.rows[:, heard] = columns.taken(both, pairs, [readings[k] for k in heard])
        suspect, reference = levels if self.right else levels[::-1]
        columns.rows[:, balances] = suspect - reference
        return Answer(columns.rows, tuple(dict.fromkeys(columns.problems)), columns.simulated)

    def _owners(self, readings: Sequence[Reading]) -> list[int]:
        """Of every reading, whose it is; by place where none says that it is the reference's."""
        if any(r.channel for r in readings):
            return [r.channel for r in readings]
        return [int(k >= self.count) for k in range(len(readings))]

    def _suspect(self, variant: Variant) -> Variant:
        return Variant(
            variant.faults,
            tuple((plain(s), z) for s, z in variant.deviations if not isinstance(s, Other)),
        )

    def _reference(self, variant: Variant) -> Variant:
        return Variant(
            variant.shared(self.shared).faults,
            tuple(
                (plain(s), z)
                for s, z in variant.deviations
                if isinstance(s, Other | Common | LeftOpen) or is_shared(s.target, self.shared)
            ),
        )


@dataclass
class _Columns:
    """Readings as they come in, a row a variant."""

    bench: Bench
    progress: Progress | None
    rows: Array
    problems: list[Problem] = field(default_factory=list)
    simulated: int = 0

    def taken(
        self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading]
    ) -> Array:
        """Readings (n, k) of variants, each different one taken once."""
        if not readings:
            return np.empty((len(variants), 0))
        unique = list(dict.fromkeys(variants))
        answer = self.bench.values(stage, unique, readings, self.progress)
        place = {variant: k for k, variant in enumerate(unique)}
        self.problems += answer.problems
        self.simulated += answer.simulated
        return answer.values[[place[v] for v in variants]]


def plain(spread: Spread) -> Spread:
    """The spread as a stage knows it, whichever channel it is of."""
    if isinstance(spread, LeftOpen):
        return spread
    return Spread(spread.target, spread.what, spread.sigma, spread.bounded)


def side_by_side(suspect: Observed, reference: Observed) -> Observed:
    """Readings of both channels as one vector, the suspect's first."""
    return Observed(
        suspect.readings + tuple(replace(r, channel=1) for r in reference.readings),
        np.concatenate([suspect.values, reference.values]),
        np.concatenate([suspect.bench, reference.bench]),
        suspect.bounds + reference.bounds,
        (0,) * len(suspect.readings) + (1,) * len(reference.readings),
        COMMON,
        joined(suspect, reference),
        None if suspect.slips is None or reference.slips is None
        else np.concatenate([suspect.slips, reference.slips]),
    )


def joined(first: Observed, second: Observed) -> Array | None:
    """What is eased of two sets of readings side by side."""
    if first.eased is None and second.eased is None:
        return None
    return np.concatenate([
        np.ones(len(one.readings)) if one.eased is None else one.eased for one in (first, second)
    ])


def alike(parts: Sequence[tuple[str, float]], shared: Sequence[str]) -> float:
    """Probability that what is wrong feeds both channels.

    Parameters
    ----------
    parts : sequence of (part, probability)
    shared : sequence of str
        Parts and rails that both channels have.
    """
    return math.fsum(p for part, p in parts if is_shared(part, shared))

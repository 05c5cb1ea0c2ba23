"""What confirmed repairs tell of how kinds of parts fail, over what the mode files say.

Shares of modes: a Dirichlet distribution (Gelman et al., *Bayesian Data Analysis*, the multinomial
model) whose prior is the share of the mode file, worth `WORTH` cases. With n of N repairs of a kind
the share p becomes (WORTH·p + n)/(WORTH + N). Shares depend on age, so a repair counts against the
share that its own unit's age makes expected; where all ages are alike this is that formula.

Rates of kinds: a gamma distribution for the factor to the rate of the mode file, which Poisson
counts of failures sharpen. How many hours a shop's units run, and how hard, moves all kinds alike
and tells nothing of which part it is, so failures of a kind are counted against its share of all
failures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from faultlib.mode import KindModes

WORTH = 10.0
"""Repairs that the shares of the mode files are worth (judgement, held by a trial: a share that is
wrong by a factor of ten is right within a fifth after twenty repairs)."""
RATE_WORTH = 2.0
"""Failures that the rate of a kind is worth: published rates and those of a shop differ by a factor
of two or more (judgement)."""


class Count(NamedTuple):
    """Confirmed repairs of one kind and mode in units of one age, years."""

    kind: str
    mode: str
    age: float
    number: int


class Served(NamedTuple):
    """Parts of a kind that a shop has seen in service.

    Attributes
    ----------
    expected : float
        Failures in that time by the rate of the mode file.
    failed : int
        Confirmed repairs of that kind among them.
    """

    kind: str
    expected: float
    failed: int


@dataclass(frozen=True)
class Learnt:
    """What a log of repairs says of how parts fail.

    Attributes
    ----------
    cases : int
        Confirmed repairs that it rests on.
    counts : tuple of Count
        Sorted, each kind, mode and age once.
    served : tuple of Served
        Empty where no time in service was entered.
    """

    cases: int = 0
    counts: tuple[Count, ...] = ()
    served: tuple[Served, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.counts or self.served)

    def rate(self, kind: str) -> float:
        """By what the rate of a kind is multiplied."""
        failed = sum(one.failed for one in self.served)
        expected = math.fsum(one.expected for one in self.served)
        for one in self.served:
            if one.kind == kind and failed and expected > 0.0:
                due = one.expected * failed / expected
                return (RATE_WORTH + one.failed) / (RATE_WORTH + due)
        return 1.0

    def of(self, kind: str) -> tuple[Count, ...]:
        """The repairs of one kind."""
        return tuple(one for one in self.counts if one.kind == kind)


NOTHING_LEARNT = Learnt()
"""Of a shop without a log, or one whose log is left out."""


class Share(NamedTuple):
    """The share of a mode among the failures of its kind, without the log and with it.

    Attributes
    ----------
    number, of : int
        Repairs of that mode, and of all modes of the kind.
    """

    mode: str
    without: float
    share: float
    number: int
    of: int


def shares(modes: KindModes, age: float, learnt: Learnt) -> tuple[Share, ...]:
    """The shares of a kind's modes in units of an age, years, in the order of the mode file.

    Repairs whose mode the file does not know count for none of them.
    """
    weights = {m.name: m.weight(age) for m in modes.modes}
    before = _normal(weights)
    counted = [one for one in learnt.of(modes.kind) if one.mode in weights]
    due = dict.fromkeys(weights, 0.0)
    met = dict.fromkeys(weights, 0)
    for one in counted:
        met[one.mode] += one.number
        then = _normal({m.name: m.weight(one.age) for m in modes.modes})
        for name, share in then.items():
            due[name] += share * one.number
    after = _normal({
        name: share * (WORTH * share + met[name]) / (WORTH * share + due[name]) if share else 0.0
        for name, share in before.items()
    }) if counted else before
    whole = sum(met.values())
    return tuple(Share(name, before[name], after[name], met[name], whole) for name in weights)


def factors(modes: KindModes, age: float, learnt: Learnt) -> Mapping[str, float]:
    """By what a log multiplies the weight of each mode of a kind; ones where it tells nothing."""
    rate = learnt.rate(modes.kind)
    told: Sequence[Share] = shares(modes, age, learnt) if learnt.of(modes.kind) else ()
    if not told:
        return {m.name: rate for m in modes.modes}
    return {s.mode: rate * (s.share / s.without if s.without else 1.0) for s in told}


def _normal(weights: Mapping[str, float]) -> dict[str, float]:
    whole = math.fsum(weights.values())
    return {name: weight / whole if whole else 0.0 for name, weight in weights.items()}

"""What a shop's log adds to an answer, as frozen data and as JSON.

What it made of the priors, like cases before, and what was done to this very unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.inference.posterior import PRIOR_HEALTHY, PRIOR_UNMODELLED
from diagnose.sheet.case import Case
from faultlib.catalogue import hypotheses, kind_modes
from faultlib.learnt import shares


@dataclass(frozen=True)
class PriorLine:
    """A suspect's probability before any reading, check or remark: without the log and with it."""

    part: str
    mode: str
    without: float
    prior: float


@dataclass(frozen=True)
class ShareLine:
    """The share of a mode among the failures of its kind, without the log and with it.

    Attributes
    ----------
    number, of : int
        Confirmed repairs of that mode, and of all modes of the kind.
    """

    kind: str
    mode: str
    without: float
    share: float
    number: int
    of: int


@dataclass(frozen=True)
class RateLine:
    """By what the rate of a kind was multiplied, and the confirmed failures it rests on."""

    kind: str
    factor: float
    failed: int


@dataclass(frozen=True)
class Like:
    """A case before whose readings departed from healthy alike.

    Attributes
    ----------
    distance : float
        How unlike; 0 for the same departures. See `diagnose.log.like`.
    shared : int
        Readings that both have.
    """

    job: str
    closed: str
    stage: str
    was: str
    proof: str
    minutes: float | None
    distance: float
    shared: int


@dataclass(frozen=True)
class ThenNow:
    """A reading of a unit that was here before, in the unit shown; None where it was not taken."""

    reading: str
    then: float
    now: float | None
    healthy: float
    unit: str


@dataclass(frozen=True)
class Earlier:
    """A job before on the same unit."""

    job: str
    closed: str
    was: str
    proof: str
    cause: str
    parts: tuple[str, ...]
    minutes: float | None
    lines: tuple[ThenNow, ...]


@dataclass(frozen=True)
class FromLog:
    """What the log adds.

    Attributes
    ----------
    cases : int
        Confirmed repairs that were learnt from.
    priors : tuple of PriorLine
        Of the suspects that are listed, in their order.
    shares : tuple of ShareLine
        Of the kinds of parts of this stage that there are repairs of.
    problem : str
        Why the log was left out although there is one; empty where it was not.
    """

    cases: int = 0
    priors: tuple[PriorLine, ...] = ()
    shares: tuple[ShareLine, ...] = ()
    rates: tuple[RateLine, ...] = ()
    like: tuple[Like, ...] = ()
    earlier: tuple[Earlier, ...] = ()
    problem: str = ""

    @property
    def changed(self) -> bool:
        """Whether it moved any prior."""
        return bool(self.shares or self.rates)


def told_by_log(case: Case, listed: Sequence[tuple[str, str]]) -> FromLog | None:
    """What a log made of the priors of a case; None for a case without.

    Parameters
    ----------
    listed : sequence of (part, mode)
        The suspects whose priors are told.
    """
    learnt = case.learnt
    if not learnt:
        return None
    plain = hypotheses(case.stage, case.age)
    told = hypotheses(case.stage, case.age, learnt)
    modelled = 1.0 - PRIOR_HEALTHY - PRIOR_UNMODELLED
    before, after = ({(h.part, h.mode.name): modelled * h.prior / whole for h in each}
                     for each in (plain, told)
                     for whole in [math.fsum(h.prior for h in each)])
    kinds = sorted({h.kind for h in plain})
    lines = tuple(
        ShareLine(kind, *line) for kind in kinds if learnt.of(kind)
        for line in sorted(shares(kind_modes(kind), case.age, learnt), key=lambda s: -s.share)
    )
    rates = tuple(RateLine(one.kind, learnt.rate(one.kind), one.failed)
                  for one in learnt.served if one.kind in kinds)
    return FromLog(
        learnt.cases,
        tuple(PriorLine(*name, before[name], after[name]) for name in dict.fromkeys(listed)
              if name in before),
        lines, rates,
    )


def from_log_json(told: FromLog) -> dict[str, Any]:
    """What a log adds, of the document of ``diagnose rank --json``."""
    return {
        "cases": told.cases,
        "problem": told.problem,
        "priors": [{"part": x.part, "mode": x.mode, "without": x.without, "prior": x.prior}
                   for x in told.priors],
        "shares": [{"kind": x.kind, "mode": x.mode, "without": x.without, "share": x.share,
                    "number": x.number, "of": x.of} for x in told.shares],
        "rates": [{"kind": x.kind, "factor": x.factor, "failed": x.failed} for x in told.rates],
        "like": [{"job": x.job, "closed": x.closed, "stage": x.stage, "was": x.was,
                  "proof": x.proof, "minutes": x.minutes, "distance": x.distance,
                  "shared": x.shared} for x in told.like],
        "earlier": [{"job": x.job, "closed": x.closed, "was": x.was, "proof": x.proof,
                     "cause": x.cause, "parts": list(x.parts), "minutes": x.minutes,
                     "readings": [{"reading": r.reading, "then": r.then, "now": r.now,
                                   "healthy": r.healthy, "unit": r.unit} for r in x.lines]}
                    for x in told.earlier],
    }

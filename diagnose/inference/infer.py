"""A case weighed: every hypothesis against the readings of a sheet."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from circuits.errors import InputError
from circuits.reading import Reading, compared, least, shows, unseen
from circuits.stage import Stage
from diagnose.inference.channels import (
    Common,
    TwoChannels,
    common_spreads,
    doubted,
    side_by_side,
)
from diagnose.inference.design import (
    SCALES,
    WithDesign,
    beside_design,
    design_spreads,
    designed,
    scale_of,
)
from diagnose.inference.evidence import log_sum
from diagnose.inference.groups import Member, grouped
from diagnose.inference.likelihood import Observed, slipping
from diagnose.inference.other_loads import eased
from diagnose.inference.pairs import pairs
from diagnose.inference.posterior import Posterior, Weighed, share, weigh
from diagnose.inference.prune import worth_driving
from diagnose.inference.remarks import log_factor, log_moved
from diagnose.inference.unmodelled import FITS
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured, usual
from diagnose.sheet.sections import TRIED
from faultlib.catalogue import Hypothesis, hypotheses, miss
from faultlib.ensemble import ensemble, floors, scatter
from faultlib.nearby import Nearby
from faultlib.signature import Signatures, Stepwise, named, signatures
from faultlib.simulate import Bench, Problem
from faultlib.thrifty import Thrifty
from faultlib.watched import Watched, watched

FOUND_BAD = 100.0
"""How much likelier a part's faults become when it was tested bad (judgement)."""

LIVE = 0.01
"""Suspects less probable than this are not grouped, unless they look like the leading one."""
_MOST_LIVE = 16
"""Suspects that are grouped, at most."""


@dataclass(frozen=True)
class Weighing:
    """A case weighed: what the result, and advice on what to do next, are made from.

    Attributes
    ----------
    used : tuple of Measured
        The readings of the unit, or of its suspect channel, that are simulated.
    members : tuple of Member
        The live suspects with their groups.
    bench : Bench
        Takes further readings of the unit or of its suspect channel.
    dropped : str
        What was not simulated under drive, and why; empty for nothing.
    watch : Watched or None
        Knows what time did not suffice for.
    """

    case: Case
    used: tuple[Measured, ...]
    found: Signatures
    observed: Observed
    posterior: Posterior
    members: tuple[Member, ...]
    bench: Bench
    dropped: str = ""
    watch: Watched | None = None

    @property
    def own(self) -> Observed:
        """The readings of the unit, or of its suspect channel alone."""
        mine, whole = slice(0, len(self.used)), self.observed
        return Observed(whole.readings[mine], whole.values[mine], whole.bench[mine],
                        whole.bounds[mine],
                        slips=None if whole.slips is None else whole.slips[mine],
                        eased=None if whole.eased is None else whole.eased[mine], wide=whole.wide)


def weighing(case: Case, bench: Bench, progress: Stepwise | None = None) -> Weighing:
    """Weigh everything that may be wrong with a unit.

    Raises
    ------
    InputError, NoSolution
        As `rank`.
    """
    used = tuple(m for m in case.readings if case.weighs(m.reading))
    beside = [replace(m, reading=replace(m.reading, channel=1))
              for m in case.reference if case.weighs(m.reading)]
    # a good channel tells the same and more: it was read, and by the same meter
    figures = [] if beside else [replace(e.figure, reading=designed(e.reading))
                                 for e in case.expected if e.weighed]
    if not used:
        raise InputError(
            f"case {case.name!r} holds no reading that can be ranked",
            expected="at least one reading with a value, of a quantity that is simulated",
        )
    everything = hypotheses(case.stage, case.age, case.learnt)
    around = doubted(case.stage, case.known, case.kind_only)
    alone = watch = watched(bench)
    bench = Nearby(watch)
    whole_bench: Bench = watch
    further: Bench = bench
    if beside:
        right = case.suspect == case.right
        further = Nearby(TwoChannels(alone, case.shared, sys.maxsize, right))
        whole_bench = TwoChannels(alone, case.shared, len(used), right)
        bench = Nearby(whole_bench)
        around = common_spreads(case.stage, case.shared, case.kind_only)
    elif figures:
        whole_bench = WithDesign(alone)
        further = bench = Nearby(whole_bench)
    drawn = ensemble(
        case.stage, [m.reading for m in (*used, *beside, *figures)], around, whole_bench,
        named(progress, "good units"),
    )
    observed = seen(used, beside, floors(drawn)[: len(used) + len(beside)], case.stage)
    if figures:
        told = seen(figures, (), floors(drawn)[len(used) :], case.stage)
        rest = told.some([k for k, r in enumerate(told.readings) if not r.driven])
        scale = (SCALES[0] if case.kind_only
                 else scale_of(case.stage, case.known, rest, drawn, bench))
        observed = beside_design(observed, told, scale)
        around = design_spreads(case.stage, case.known, scale, case.kind_only)
        common = tuple(s for s in around if isinstance(s, Common))
        further = bench = Nearby(WithDesign(alone, common))
    dropped, left_out = "", np.empty((0, 0))
    problems: tuple[Problem, ...] = ()
    if any(r.driven for r in observed.readings):
        worth = worth_driving(
            case.stage, observed, everything, lambda h: _log_prior(h, case), bench, progress,
            around, drawn,
        )
        everything, left_out = worth.kept, worth.beside
        dropped, problems = worth.told, worth.problems
        bench, further = Thrifty(bench, worth.within), Thrifty(further)
    table = signatures(
        case.stage, observed.readings, everything, bench, progress, around,
        partial(scatter, drawn, range(len(observed.readings))),
    )
    table = replace(table, beside=left_out,
                    problems=tuple(dict.fromkeys((*problems, *table.problems))))
    log_priors = [_log_prior(s.hypothesis, case) for s in table.faults]
    known = hypotheses(case.stage, case.age, case.learnt)
    whole = log_sum(np.array([_log_prior(h, case) for h in known]))
    posterior = infer(table, observed, log_priors, bench, progress, known_bad(case), whole)
    return Weighing(case, used, table, observed, posterior, members(table, observed, posterior),
                    further, dropped, watch)


def members(found: Signatures, observed: Observed, posterior: Posterior) -> tuple[Member, ...]:
    """The live suspects with their groups, and look-alikes of the first."""
    suspects = posterior.suspects
    count = min(sum(p >= LIVE for _, p in suspects), _MOST_LIVE)
    plain = np.flatnonzero(observed.signs == 0.0)
    return tuple(grouped(suspects[:count], suspects[count:], plain, found.healthy))


def seen(
    used: Sequence[Measured],
    beside: Sequence[Measured],
    readings: Sequence[Reading],
    stage: Stage | None = None,
) -> Observed:
    """Readings of a sheet, of both channels where there are two.

    Parameters
    ----------
    used, beside : sequence of Measured
        Of the suspect channel, and of the one beside it.
    readings : sequence of Reading
        Theirs, with what may lie beside a level.
    stage : Stage, optional
        As `observe`.
    """
    mine, other = readings[: len(used)], readings[len(used) :]
    observed = observe([replace(m, reading=r) for m, r in zip(used, mine, strict=True)], stage)
    if not beside:
        return observed
    reference = observe([replace(m, reading=r) for m, r in zip(beside, other, strict=True)], stage)
    return side_by_side(observed, reference)


def infer(
    found: Signatures,
    observed: Observed,
    log_priors: Sequence[float],
    bench: Bench,
    progress: Stepwise | None = None,
    bad: bool = False,
    whole: float | None = None,
) -> Posterior:
    """Probabilities from signatures and readings; pairs of faults where no single one fits.

    Parameters
    ----------
    log_priors : sequence of float
        One a signature.
    bad : bool
        Whether a part of the unit is known to be bad.
    whole : float, optional
        Logarithm of the sum of all weights, where faults were left out that could not matter.
    """
    weighed = weigh(found, observed, log_priors, bench, progress, bad, whole)
    return with_pairs(found, observed, weighed, bench, progress)


def with_pairs(
    found: Signatures,
    observed: Observed,
    weighed: Weighed,
    bench: Bench,
    progress: Stepwise | None = None,
) -> Posterior:
    """Probabilities of what was weighed one by one; pairs of faults where no single one fits."""
    if weighed.fit() >= FITS:
        return share(weighed)
    return share(weighed, pairs(found, observed, weighed, bench, progress))


def observe(measured: Sequence[Measured], stage: Stage | None = None) -> Observed:
    """Readings of a sheet on their compared scales, with the bench's uncertainty.

    A value below what an instrument shows says only that it is below: it counts as a bound.

    Parameters
    ----------
    stage : Stage, optional
        Whose rails may feed something else; without it they feed nothing.
    """
    measured = tuple(_as_seen(m) for m in measured)
    readings = tuple(m.reading for m in measured)
    values = np.array([compared(m.reading, max(m.value, least(m.reading))) for m in measured])
    bench = np.array([m.uncertainty if m.uncertainty is not None else usual(m) for m in measured])
    return Observed(readings, values, bench, tuple(m.bound for m in measured),
                    slips=slipping(readings, values, bench),
                    eased=None if stage is None else eased(readings, stage))


def _as_seen(measured: Measured) -> Measured:
    # a wiring that couples far above what an instrument shows is a floor of its own
    own = math.isfinite(least(measured.reading))
    if own or measured.bound == ">" or not unseen(measured.reading, measured.value):
        return measured
    return replace(measured, value=shows(measured.reading), bound="<")


def known_bad(case: Case) -> bool:
    """Whether a part was found bad and nothing was done about it since."""
    last = {check.part: check.found for check in case.checks
            if check.found not in ("good", *TRIED)}
    return "bad" in last.values()


def _log_prior(hypothesis: Hypothesis, case: Case) -> float:
    weight = math.log(hypothesis.prior)
    weight += log_factor(hypothesis, case.observations, case.shared)
    for check in case.checks:
        if check.part != hypothesis.part:
            continue
        if check.found == "bad":
            weight += math.log(FOUND_BAD)
        elif check.found in TRIED:
            weight += log_moved(hypothesis, check.found)
        else:
            weight += math.log(max(miss(hypothesis.mode, check.found, check.how), 1e-6))
    return weight

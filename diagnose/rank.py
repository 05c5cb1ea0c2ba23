"""From a bench sheet to ranked suspects: the whole chain in the order it happens."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.errors import InputError
from circuits.reading import compared, from_compared, shown
from circuits.stage import Stage
from diagnose.advise import advise, short
from diagnose.candidates import candidates, distortion
from diagnose.case import Case
from diagnose.channels import TwoChannels, common_spreads, doubted, side_by_side
from diagnose.derived import derived_lines
from diagnose.entry import Measured, usual
from diagnose.groups import Member, grouped
from diagnose.lazy import worth_driving
from diagnose.likelihood import Observed
from diagnose.notes import cautions_of, notes_of
from diagnose.pairs import POOR_FIT, pairs
from diagnose.posterior import Posterior, share, weigh
from diagnose.remarks import log_factor
from diagnose.repair import judge
from diagnose.result import (
    Also,
    Explained,
    Group,
    NextReading,
    RepairProof,
    Result,
    Severity,
    Suspect,
)  # fmt: skip
from diagnose.scored import Scored, fault_at, log_sum
from diagnose.trace import by_stage
from diagnose.verdict import judged
from faultlib.catalogue import Hypothesis, hypotheses, miss, size_value
from faultlib.nearby import Nearby
from faultlib.signature import Signatures, Stepwise, signatures
from faultlib.simulate import Bench, Laboratory
from faultlib.store import Store, default_folder
from faultlib.thrifty import Thrifty

FOUND_BAD = 100.0
"""How much likelier a part's faults become when it was tested bad (judgement)."""

_LIVE = 0.01
_TAIL = 0.001
_MOST_LIVE = 16
_SUSPECTED = 0.05
"""A stage of a unit less probable than this is not probed next."""


def rank(case: Case, bench: Bench | None = None, progress: Stepwise | None = None) -> Result:
    """Rank what may be wrong with a unit.

    Parameters
    ----------
    case : Case
    bench : Bench, optional
        Where readings are simulated; by default all cores, with the user's store.
    progress : callable, optional
        Called with what is being simulated, how much is done, and of how much.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        When the sheet holds no reading that can be simulated.
    NoSolution
        When the healthy stage itself cannot be simulated.
    """
    if bench is not None:
        return _rank(case, bench, progress)
    with Laboratory(Store(default_folder())) as laboratory:
        return _rank(case, laboratory, progress)


@dataclass(frozen=True)
class Weighing:
    """A case weighed: what the result, and advice on what to do next, are made from.

    Attributes
    ----------
    case : Case
    used : tuple of Measured
        The readings of the unit, or of its suspect channel, that are simulated.
    found : Signatures
    observed : Observed
    posterior : Posterior
    members : tuple of Member
        The live suspects with their groups.
    bench : Bench
        Takes further readings of the unit or of its suspect channel.
    dropped : str
        What was not simulated under drive, and why; empty for nothing.
    """

    case: Case
    used: tuple[Measured, ...]
    found: Signatures
    observed: Observed
    posterior: Posterior
    members: tuple[Member, ...]
    bench: Bench
    dropped: str = ""

    def next(
        self, progress: Stepwise | None = None, costly: bool = False
    ) -> tuple[NextReading, ...]:
        """Readings worth taking next, the best for its effort first; see `advise.advise`.

        Parameters
        ----------
        progress : callable, optional
        costly : bool
            Whether distortion at the usual drive is among them, which takes long to simulate.
        """
        taken = [m.reading for m in self.case.readings]
        shares = by_stage(self.case.stage, self.posterior.suspects)
        within = [name for name, p in shares if p >= _SUSPECTED]
        readings = [candidates(self.case.stage, taken, self.bench, within)]
        if costly:
            readings.append(distortion(self.case.stage, taken))
        return advise(self.found, self.observed, self.posterior, self.members, readings,
                      self.bench, progress)


def _rank(case: Case, bench: Bench, progress: Stepwise | None) -> Result:
    made = weighing(case, bench, progress)
    repair = judge(case, observe, lambda earlier: weighing(earlier, bench, progress))
    return _result(made, short(made.next(progress)), repair)


def weighing(case: Case, bench: Bench, progress: Stepwise | None = None) -> Weighing:
    """Weigh everything that may be wrong with a unit.

    Parameters
    ----------
    case : Case
    bench : Bench
    progress : callable, optional

    Raises
    ------
    InputError, NoSolution
        As `rank`.
    """
    used = tuple(m for m in case.readings if m.reading.about.simulated)
    beside = [m for m in case.reference if m.reading.about.simulated]
    if not used:
        raise InputError(
            f"case {case.name!r} holds no reading that can be ranked",
            expected="at least one reading with a value, of a quantity that is simulated",
        )
    observed = observe(used)
    everything = hypotheses(case.stage)
    around = doubted(case.stage, case.known)
    bench = Nearby(bench)
    further: Bench = bench
    if beside:
        observed = side_by_side(observed, observe(beside))
        further = TwoChannels(bench, case.shared, sys.maxsize)
        bench = TwoChannels(bench, case.shared, len(used))
        around = common_spreads(case.stage, case.shared)
    dropped = ""
    if any(r.driven for r in observed.readings):
        bench, further = Thrifty(bench), Thrifty(further)
        everything, dropped = worth_driving(
            case.stage, observed, everything, lambda h: _log_prior(h, case), bench, progress, around
        )
    found = signatures(case.stage, observed.readings, everything, bench, progress, around)
    log_priors = [_log_prior(s.hypothesis, case) for s in found.faults]
    whole = log_sum(np.array([_log_prior(h, case) for h in hypotheses(case.stage)]))
    posterior = infer(found, observed, log_priors, bench, progress, known_bad(case), whole)
    live = [(s, p) for s, p in posterior.suspects if p >= _LIVE][:_MOST_LIVE]
    return Weighing(case, used, found, observed, posterior, tuple(grouped(live)), further,
                    dropped)


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
    found : Signatures
    observed : Observed
    log_priors : sequence of float
        One a signature.
    bench : Bench
    progress : callable, optional
    bad : bool
        Whether a part of the unit is known to be bad.
    whole : float, optional
        Logarithm of the sum of all weights, where faults were left out that could not matter.
    """
    weighed = weigh(found, observed, log_priors, bench, progress, bad, whole)
    if weighed.fit() >= POOR_FIT:
        return share(weighed)
    return share(weighed, pairs(found, observed, weighed, bench, progress))


def observe(measured: Sequence[Measured]) -> Observed:
    """Readings of a sheet on their compared scales, with the bench's uncertainty.

    Parameters
    ----------
    measured : sequence of Measured
    """
    readings = tuple(m.reading for m in measured)
    values = np.array([compared(m.reading, m.value) for m in measured])
    bench = np.array([m.uncertainty if m.uncertainty is not None else usual(m) for m in measured])
    return Observed(readings, values, bench, tuple(m.bound for m in measured))


def known_bad(case: Case) -> bool:
    """Whether a part was found bad and nothing was done about it since."""
    last = {check.part: check.found for check in case.checks if check.found != "good"}
    return "bad" in last.values()


def _log_prior(hypothesis: Hypothesis, case: Case) -> float:
    weight = math.log(hypothesis.prior)
    weight += log_factor(hypothesis, case.observations, case.shared)
    for check in case.checks:
        if check.part != hypothesis.part:
            continue
        if check.found == "bad":
            weight += math.log(FOUND_BAD)
        else:
            weight += math.log(max(miss(hypothesis.mode, check.found, check.how), 1e-6))
    return weight


def _result(
    made: Weighing, proposed: tuple[NextReading, ...], repair: tuple[RepairProof, ...]
) -> Result:
    case, used, found, posterior = made.case, made.used, made.found, made.posterior
    most = max((m.group for m in made.members), default=0)
    listed = [*made.members]
    for scored, probability in posterior.suspects[len(listed) :]:
        if probability >= _TAIL:
            most += 1
            listed.append(Member(scored, probability, most))
    suspects = tuple(_suspect(m, used, found, case.stage) for m in listed)
    named = sum(s.probability for s in suspects)
    figures = judged(case)
    return Result(
        stage=case.stage.name,
        case=case.name,
        verdict=figures.lines,
        summary=figures.summary,
        derived=derived_lines(case),
        healthy=posterior.healthy,
        unmodelled=posterior.unmodelled,
        rest=max(0.0, 1.0 - named - posterior.healthy - posterior.unmodelled),
        suspects=suspects,
        stages=by_stage(case.stage, posterior.suspects),
        groups=_groups(suspects),
        next=proposed,
        repair=repair,
        notes=notes_of(made, observe(used), figures.unread),
        cautions=cautions_of(case.stage, used),
    )


def _groups(suspects: Sequence[Suspect]) -> tuple[Group, ...]:
    made: list[Group] = []
    for number in dict.fromkeys(s.group for s in suspects):
        inside = [s for s in suspects if s.group == number]
        alone = "no other suspect looks like it in these readings"
        together = "the readings taken do not separate them"
        made.append(Group(number, sum(s.probability for s in inside),
                          tuple(s.name for s in inside), together if len(inside) > 1 else alone))
    return tuple(sorted(made, key=lambda g: -g.probability))


def _suspect(
    member: Member, used: Sequence[Measured], found: Signatures, stage: Stage
) -> Suspect:
    scored = member.scored
    first = scored.hypotheses[0]
    also = None
    roles = {part.name: part.role for part in stage.parts}
    if len(scored.hypotheses) > 1:
        second = scored.hypotheses[1]
        also = Also(second.part, second.mode.name, _severity(scored, 1, stage),
                    roles.get(second.part, ""))
    return Suspect(
        first.part, first.mode.name, member.probability, member.group, _severity(scored, 0, stage),
        _explains(scored, used, found), roles.get(first.part, ""), also,
    )


def _severity(scored: Scored, which: int, stage: Stage) -> Severity | None:
    hypothesis = scored.hypotheses[which]
    sizes = [size_value(stage, fault_at(hypothesis, p)) for p in scored.interval(which)]
    best, low, high = sizes
    if best is None or low is None or high is None:
        return None
    ends = sorted((low.value, high.value))
    return Severity(best.quantity, best.value, ends[0], ends[1], best.unit)


def _explains(
    scored: Scored, used: Sequence[Measured], found: Signatures
) -> tuple[Explained, ...]:
    """Readings that a healthy unit would hardly give and this suspect would, worst first."""
    observed = observe(used)
    mine = slice(0, len(used))
    healthy, predicted = found.healthy[mine], scored.predicted[scored.best][mine]
    good = np.sqrt((found.sensitivities[:, mine] ** 2).sum(axis=0) + observed.bench**2)
    own = np.sqrt(np.diag(scored.spread.factor @ scored.spread.factor.T))[mine]
    off_healthy = np.abs(observed.residuals(healthy[None, :])[0]) / good
    off_suspect = np.abs(observed.residuals(predicted[None, :])[0]) / own
    order = np.argsort(-off_healthy, kind="stable")
    return tuple(
        _explained(used[k], healthy[k], predicted[k])
        for k in order
        if off_healthy[k] > 2.0 and off_suspect[k] < off_healthy[k] / 2.0
    )


def _explained(measured: Measured, healthy: float, predicted: float) -> Explained:
    reading = measured.reading
    return Explained(
        reading.label(),
        shown(reading, measured.value),
        shown(reading, from_compared(reading, float(healthy))),
        shown(reading, from_compared(reading, float(predicted))),
        reading.unit,
    )

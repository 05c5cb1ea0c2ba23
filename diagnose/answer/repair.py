"""Whether a repair has cured the unit: readings taken after it against what was expected.

Three things may have happened. The fault is *gone*: the unit reads as a good one. It is the
*same* as before: the wrong part was changed, or the new one is no better. Or *another* fault
remains: one that stood beside the first, was hidden by it, or came with the repair. Each predicts
the later readings, and since they are of the very unit that was read before, so do its earlier
ones: its good parts deviate as before, and what has not changed reads the same within the meter's
own scatter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from circuits.reading import from_compared, shown
from diagnose.answer.result import RepairLine, RepairProof
from diagnose.inference.censored import log_kept, standing
from diagnose.inference.channels import joined
from diagnose.inference.evidence import Scored, fault_at, log_sum
from diagnose.inference.likelihood import Array, Covariance, Observed, spread
from diagnose.inference.screen import screened
from diagnose.inference.unmodelled import unmodelled
from diagnose.sheet.case import Case, Check, Repair
from diagnose.sheet.entry import Measured
from faultlib.catalogue import hypotheses, mode_for
from faultlib.signature import Signatures, sensitivities_at, signatures
from faultlib.simulate import Variant

if TYPE_CHECKING:
    from diagnose.inference.infer import Weighing

HIDDEN = 0.1
"""Chance that one cured fault leaves another, hidden by it or made by the repair (judgement)."""
UNLOOKED_FOR = 0.05
"""Chance that work on a part that was not under suspicion cures the unit all the same, and again
that it changes the fault to another: a joint moved, or the ranking was wrong (judgement)."""
UNKNOWN_CURED = 0.5
"""Chance that a repair cures a fault that stands in no library (judgement)."""
OUTCOMES = ("gone", "same", "another")

_LEAST = 0.003
"""A suspect less probable than this before the repair is not asked after it."""
_MOST = 12
"""Nor are more suspects than this: each is simulated with the later readings."""
_NAMED = 3
"""Faults that are named as what may remain."""


@dataclass(frozen=True)
class _State:
    """What the unit may have been before the repair."""

    scored: Scored
    weight: float
    unit: Variant


def judge(
    case: Case,
    observe: Callable[[Sequence[Measured]], Observed],
    weighing: Callable[[Case], Weighing],
) -> tuple[RepairProof, ...]:
    """Judge every repair of a case by the readings taken after it.

    Parameters
    ----------
    observe, weighing : callable
        Those of `diagnose.answer.ranking`.

    Returns
    -------
    tuple of RepairProof
        In the order of the sheet; a repair without later readings is left out.
    """
    proofs: list[RepairProof] = []
    done = {(r.part, r.how) for r in case.repaired}
    checks = tuple(c for c in case.checks if (c.part, c.found) not in done)
    earlier = replace(case, checks=checks, repaired=(), channels=(), suspect="")
    for repair in case.repaired:
        later = tuple(m for m in repair.readings if earlier.weighs(m.reading))
        if later:
            before = weighing(earlier)
            after = replace(observe(later), wide=before.observed.wide)
            proofs.append(_judged(repair, before, later, after))
            earlier = replace(earlier, readings=later)
        # what was done counts for the next repair
        earlier = replace(earlier, checks=(*earlier.checks, Check(repair.part, repair.how)))
    return tuple(proofs)


def _judged(
    repair: Repair, before: Weighing, later: Sequence[Measured], after: Observed
) -> RepairProof:
    found = _signatures(before, after)
    states = _states(before)
    tools = _Tools(before, after, found, _lines(before, after, states))
    weights = [math.log(s.hypothesis.prior) for s in found.faults]
    singles = screened(found.faults, found, after, weights)
    whole = log_sum(np.array([s.log_prior for s in singles]))
    some = log_sum(np.array([s.score for s in singles])) - whole
    odd = unmodelled(singles, found, after)
    changed = float(np.logaddexp(some, odd)) - math.log(2.0)
    logs: list[tuple[str, float]] = []
    priors = dict.fromkeys(OUTCOMES, 0.0)

    def add(outcome: str, prior: float, evidence: float) -> None:
        if prior > 0.0:
            priors[outcome] += prior
            logs.append((outcome, math.log(prior) + evidence))

    for state in states:
        parts = [h.part for h in state.scored.hypotheses]
        same = tools.same(state)
        if not parts:
            add("gone", state.weight, tools.healthy_after(state))
            continue
        if repair.part not in parts:
            add("same", state.weight * (1.0 - 2.0 * UNLOOKED_FOR), same)
            add("gone", state.weight * UNLOOKED_FOR, tools.healthy_after(state))
            add("another", state.weight * UNLOOKED_FOR, changed)
            continue
        hypothesis = state.scored.hypotheses[parts.index(repair.part)]
        missed = mode_for(before.case.stage, repair.part, hypothesis.mode.name).miss(repair.how)
        add("same", state.weight * missed, same)
        cured = state.weight * (1.0 - missed)
        if len(parts) == 1:
            add("gone", cured * (1.0 - HIDDEN), tools.healthy_after(state))
            add("another", cured * HIDDEN, changed)
        else:
            add("another", cured, tools.left(state, 1 - parts.index(repair.part)))
    unknown = before.posterior.unmodelled
    add("gone", unknown * UNKNOWN_CURED, tools.good_unit())
    add("same", unknown * (1.0 - UNKNOWN_CURED), tools.repeated(odd))
    total = log_sum(np.array([x for _, x in logs]))
    chances = {
        name: math.fsum(math.exp(x - total) for outcome, x in logs if outcome == name)
        for name in OUTCOMES
    }
    scale = math.fsum(priors.values())
    remaining = _remaining(singles, repair.part)
    return RepairProof(
        repair.part, repair.how,
        max(OUTCOMES, key=lambda name: chances[name]),
        chances["gone"], chances["same"], chances["another"],
        tuple((name, priors[name] / scale) for name in OUTCOMES),
        remaining,
        tuple(_line(m, k, before, found) for k, m in enumerate(later)),
    )


def _signatures(before: Weighing, after: Observed) -> Signatures:
    """Of the later readings; those of the earlier ones where they hold all of them."""
    known = {r.key(): k for k, r in enumerate(before.observed.readings)}
    if all(r.key() in known for r in after.readings):
        return before.found.some([known[r.key()] for r in after.readings])
    case = before.case
    everything = hypotheses(case.stage, case.age, case.learnt)
    return signatures(case.stage, after.readings, everything, before.bench)


def _states(before: Weighing) -> list[_State]:
    """Health and the suspects that matter, each at its best size, weights adding up to one."""
    posterior = before.posterior
    good = Scored((), 0.0, 0.0, np.zeros((1, 0)), np.ones(1), before.found.healthy[None, :],
                  0.0, 0, posterior.healthy_spread)
    states = [_State(good, posterior.healthy, Variant())]
    for scored, probability in posterior.suspects[:_MOST]:
        if probability >= _LEAST:
            place = scored.places[scored.best]
            faults = tuple(fault_at(h, float(x))
                           for h, x in zip(scored.hypotheses, place, strict=True))
            states.append(_State(scored, probability, Variant(faults)))
    return states


Lines = dict[Variant, tuple[Array, Array]]
"""Readings of a unit, earlier then later ones, and how they move with its good parts."""


def _lines(before: Weighing, after: Observed, states: Sequence[_State]) -> Lines:
    units = list(dict.fromkeys([Variant(), *(s.unit for s in states), *(
        Variant((fault,)) for s in states if len(s.unit.faults) > 1 for fault in s.unit.faults
    )]))
    readings = list(dict.fromkeys((*before.observed.readings, *after.readings)))
    column = {r: k for k, r in enumerate(readings)}
    both = [column[r] for r in (*before.observed.readings, *after.readings)]
    lines = sensitivities_at(
        before.case.stage, readings, units, before.found.varying, before.bench
    )
    return {
        unit: (answer[0][both], answer[1][:, both])
        for unit, answer in zip(units, lines, strict=True)
        if answer is not None
    }


@dataclass(frozen=True)
class _Tools:
    """Evidence of the later readings, given the earlier ones."""

    before: Weighing
    after: Observed
    found: Signatures
    lines: Lines

    def same(self, state: _State) -> float:
        """The unit has not changed."""
        return self._given(state, state.unit, self._later(state), ())

    def healthy_after(self, state: _State) -> float:
        """It is a good unit now, with the good parts that it had."""
        return self._given(state, Variant(), self.found.healthy[None, :], self._channels())

    def left(self, state: _State, which: int) -> float:
        """One of two faults is left."""
        unit = Variant((state.unit.faults[which],))
        if unit not in self.lines:
            return -math.inf
        count = len(self.before.observed.readings)
        return self._given(state, unit, self.lines[unit][0][None, count:], self._channels())

    def good_unit(self) -> float:
        """A good unit of which nothing else is known."""
        around = spread(self.after, self.found.strays, self.found.healthy)
        return float(log_kept(standing(self.after, self.found.healthy[None, :], around))[0])

    def repeated(self, odd: float) -> float:
        """What was read before reads the same; of other readings `odd` is all that is known.

        Of a bound that was read before, another bound on the same side is the same.
        """
        first, second = self.before.observed, self.after
        known = {r.key(): k for k, r in enumerate(first.readings)}
        if any(r.key() not in known for r in second.readings):
            return odd
        earlier = [known[r.key()] for r in second.readings]
        before = [first.bounds[i] for i in earlier]
        if any(a and a != b for a, b in zip(before, second.bounds, strict=True)):
            return odd
        left = [k for k, bound in enumerate(before) if not bound]
        told = second.some(left)
        then = np.array([earlier[k] for k in left], dtype=np.intp)
        variance = told.bench**2 + first.bench[then] ** 2
        around = Covariance.of(np.diag(variance))
        return float(log_kept(standing(told, first.values[then][None, :], around))[0])

    def _channels(self) -> tuple[int, ...]:
        """The model errs almost alike for the unit before and after a change."""
        return (0,) * len(self.before.observed.readings) + (1,) * len(self.after.readings)

    def _later(self, state: _State) -> Array:
        """Later readings of an unchanged unit at every size, (n, k)."""
        known = {r.key(): k for k, r in enumerate(self.before.observed.readings)}
        count = len(self.before.observed.readings)
        rows = np.tile(self.lines[state.unit][0][count:], (len(state.scored.weights), 1))
        for k, reading in enumerate(self.after.readings):
            if reading.key() in known:
                rows[:, k] = state.scored.predicted[:, known[reading.key()]]
            elif len(state.scored.hypotheses) == 1:
                rows[:, k] = self._along(state.scored, k)
        return rows

    def _along(self, scored: Scored, k: int) -> Array:
        hypothesis = scored.hypotheses[0]
        sizes = hypothesis.mode.size(scored.places[:, 0])
        for signature in self.found.faults:
            if signature.hypothesis == hypothesis:
                return signature.at(sizes)[:, k]
        return np.full(len(sizes), self.found.healthy[k])

    def _given(
        self, state: _State, unit: Variant, later: Array, channels: tuple[int, ...]
    ) -> float:
        """Log density of the later readings given the earlier ones, sizes by their posterior."""
        if state.unit not in self.lines or unit not in self.lines:
            return -math.inf
        first, second = self.before.observed, self.after
        count = len(first.readings)
        level_a, lines_a = self.lines[state.unit]
        level_b, lines_b = self.lines[unit]
        lines = np.hstack([lines_a[:, :count], lines_b[:, count:]])
        level = np.concatenate([level_a[:count], level_b[count:]])
        both = Observed(
            (*first.readings, *second.readings),
            np.concatenate([first.values, second.values]),
            np.concatenate([first.bench, second.bench]),
            (*first.bounds, *second.bounds),
            channels,
            eased=joined(first, second),
            wide=first.wide,
        )
        joint = spread(both, lines, level)
        alone = spread(first, lines[:, :count], level[:count])
        rows = state.scored.predicted
        both_rows = np.hstack([rows, np.broadcast_to(later, (len(rows), len(second.readings)))])
        whole = log_kept(standing(both, both_rows, joint))
        known = log_kept(standing(first, rows, alone))
        weights = np.log(np.maximum(state.scored.weights, 1e-300))
        return log_sum(weights + whole - known)


def _remaining(singles: Sequence[Scored], part: str) -> tuple[str, ...]:
    """The faults that fit the later readings best, should one remain; not of the part repaired."""
    others = [s for s in singles if s.hypotheses[0].part != part]
    others.sort(key=lambda s: -s.score)
    return tuple(s.hypotheses[0].label() for s in others[:_NAMED])


def _line(measured: Measured, k: int, before: Weighing, found: Signatures) -> RepairLine:
    """One later reading beside the earlier one and that of a good unit."""
    reading = measured.reading
    earlier = next((shown(reading, m.value) for m in before.used
                    if m.reading.key() == reading.key()), None)
    good = from_compared(reading, float(found.healthy[k]))
    return RepairLine(reading.label(), earlier, shown(reading, measured.value),
                      shown(reading, good), reading.unit)

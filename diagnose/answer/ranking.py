"""From a bench sheet to ranked suspects: the whole chain in the order it happens."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from circuits.cautions import caution_texts
from circuits.earths import all_roles
from circuits.reading import Reading, from_compared, shown
from circuits.stage import Stage
from diagnose.advice.next_reading import NextReading
from diagnose.advice.ranked_readings import next_readings, short
from diagnose.answer.as_drawn import drawn_notes
from diagnose.answer.as_expected import expected_lines
from diagnose.answer.departures import departures, healthy_of
from diagnose.answer.derived import derived_lines
from diagnose.answer.from_log import told_by_log
from diagnose.answer.notes import notes_of
from diagnose.answer.other_design import design_notes
from diagnose.answer.outcome import hidden_faults, outcome
from diagnose.answer.read_again import read_again
from diagnose.answer.repair import judge
from diagnose.answer.result import (
    Also,
    Explained,
    Group,
    RepairProof,
    Result,
    Severity,
    Suspect,
)
from diagnose.answer.verdict import judged
from diagnose.inference.by_section import by_section
from diagnose.inference.by_stage import by_stage
from diagnose.inference.design import given_design
from diagnose.inference.evidence import Scored, fault_at
from diagnose.inference.groups import Member
from diagnose.inference.hidden import MOSTLY, Hiding, hiding
from diagnose.inference.infer import Weighing, observe, weighing
from diagnose.inference.model_error import Designed
from diagnose.sheet.case import Case
from faultlib.catalogue import size_value
from faultlib.signature import Stepwise
from faultlib.simulate import Bench, Laboratory
from faultlib.store import Store, default_folder
from faultlib.watched import watched

_TAIL = 0.001
"""A suspect that stands in no group is listed from this probability on."""


def rank(case: Case, bench: Bench | None = None, progress: Stepwise | None = None) -> Result:
    """Rank what may be wrong with a unit.

    Parameters
    ----------
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


def _rank(case: Case, bench: Bench, progress: Stepwise | None) -> Result:
    bench = watched(bench)
    made = weighing(case, bench, progress)
    seen = partial(observe, stage=case.stage)
    repair = judge(case, seen, lambda earlier: weighing(earlier, bench, progress))
    drawn = drawn_notes(case.stage, bench)
    return result_of(made, short(next_readings(made, progress)), repair, drawn)


def result_of(
    made: Weighing,
    proposed: tuple[NextReading, ...] = (),
    repair: tuple[RepairProof, ...] = (),
    drawn: tuple[str, ...] = (),
) -> Result:
    """What a weighed case says.

    Parameters
    ----------
    proposed : tuple of NextReading
        What to read next; the answer does not depend on it.
    drawn : tuple of str
        Notes on the stage as drawn.
    """
    case, posterior = made.case, made.posterior
    most = max((m.group for m in made.members), default=0)
    listed = {id(m.scored): m for m in made.members}
    for scored, probability in posterior.suspects:
        if probability >= _TAIL and id(scored) not in listed:
            most += 1
            listed[id(scored)] = Member(scored, probability, most)
    order = [listed[id(s)] for s, _ in posterior.suspects if id(s) in listed]
    suspects = tuple(_suspect(m, made, case.stage) for m in order)
    named = sum(s.probability for s in suspects)
    figures = judged(case)
    parts = hiding(posterior, made.found.healthy, bool(case.channels))
    groups = _groups(suspects, _hides(order, parts))
    best = max((g.probability for g in groups if not g.hidden), default=0.0)
    nothing = posterior.healthy + sum(g.probability for g in groups if g.hidden)
    return Result(
        stage=case.stage.name,
        case=case.name,
        verdict=figures.lines,
        summary=figures.summary,
        derived=derived_lines(case),
        expected=expected_lines(case),
        healthy=posterior.healthy,
        unmodelled=posterior.unmodelled,
        rest=max(0.0, 1.0 - named - posterior.healthy - posterior.unmodelled),
        suspects=suspects,
        stages=by_stage(case.stage, posterior.suspects),
        sections=by_section(case.stage, posterior.suspects) if case.kind_only else (),
        groups=groups,
        answer=outcome(nothing, posterior.unmodelled, best),
        hidden=hidden_faults(case.stage, parts),
        next=proposed,
        repair=repair,
        notes=(*drawn, *notes_of(made, figures.unread), *design_notes(made)),
        cautions=caution_texts(case.stage),
        again=read_again(made),
        departures=departures(made),
        log=told_by_log(case, [(s.part, s.mode) for s in suspects]),
        sheet=case,
    )


def _hides(listed: Sequence[Member], parts: Sequence[Hiding]) -> frozenset[int]:
    """The groups of which most looks like health."""
    shares = {id(one.scored): one for one in parts}
    whole: dict[int, list[float]] = {}
    for member in listed:
        one = shares[id(member.scored)]
        sums = whole.setdefault(member.group, [0.0, 0.0])
        sums[0] += one.probability * one.share
        sums[1] += one.probability
    return frozenset(g for g, (looks, p) in whole.items() if looks >= MOSTLY * p)


def _groups(suspects: Sequence[Suspect], hides: frozenset[int]) -> tuple[Group, ...]:
    groups: list[Group] = []
    for number in dict.fromkeys(s.group for s in suspects):
        inside = [s for s in suspects if s.group == number]
        alone = "no other suspect fits these readings as it does"
        together = "these readings can't separate them"
        groups.append(Group(number, sum(s.probability for s in inside),
                          tuple(s.name for s in inside), together if len(inside) > 1 else alone,
                          number in hides))
    return tuple(sorted(groups, key=lambda g: -g.probability))


def _suspect(member: Member, made: Weighing, stage: Stage) -> Suspect:
    scored = member.scored
    first = scored.hypotheses[0]
    also = None
    roles = all_roles(stage)
    if len(scored.hypotheses) > 1:
        second = scored.hypotheses[1]
        also = Also(second.part, second.mode.name, _severity(scored, 1, stage),
                    roles.get(second.part, ""))
    return Suspect(
        first.part, first.mode.name, member.probability, member.group, _severity(scored, 0, stage),
        _explains(scored, made), roles.get(first.part, ""), also,
    )


def _severity(scored: Scored, which: int, stage: Stage) -> Severity | None:
    hypothesis = scored.hypotheses[which]
    sizes = [size_value(stage, fault_at(hypothesis, p)) for p in scored.interval(which)]
    best, low, high = sizes
    if best is None or low is None or high is None:
        return None
    ends = sorted((low.value, high.value))
    return Severity(best.quantity, best.value, ends[0], ends[1], best.unit)


def _explains(scored: Scored, made: Weighing) -> tuple[Explained, ...]:
    """Readings that a healthy unit would hardly give and this suspect would, worst first."""
    used, observed = made.used, made.own
    mine = slice(0, len(used))
    healthy, good = healthy_of(made)
    predicted = scored.predicted[scored.best][mine]
    own = np.sqrt(np.diag(scored.spread.factor @ scored.spread.factor.T))[mine]
    if any(isinstance(r, Designed) for r in made.observed.readings):
        predicted, own = given_design(made.observed, len(used), scored.predicted[scored.best],
                                      scored.spread.factor @ scored.spread.factor.T)
    off_healthy = np.abs(observed.departures(healthy)) / good
    off_suspect = np.abs(observed.departures(predicted)) / own
    order = np.argsort(-off_healthy, kind="stable")
    return tuple(
        _explained(used[k].value, observed.readings[k], healthy[k], predicted[k])
        for k in order
        if off_healthy[k] > 2.0 and off_suspect[k] < off_healthy[k] / 2.0
    )


def _explained(value: float, reading: Reading, healthy: float, predicted: float) -> Explained:
    return Explained(
        reading.label(),
        shown(reading, value),
        shown(reading, from_compared(reading, float(healthy))),
        shown(reading, from_compared(reading, float(predicted))),
        reading.unit,
    )

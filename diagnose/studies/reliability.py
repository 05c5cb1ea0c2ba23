"""What scoring random benches says about the ranking: how often right, and how honest."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits.prompt import few_lines
from diagnose.schema.documents import FORMAT, named_roles
from diagnose.studies.random_benches import BenchScore

BINS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0)
"""Limits of the largest probability between which answers are counted together."""


@dataclass(frozen=True)
class Bin:
    """Answers of like probability: mean probability, share that was right, how many."""

    probability: float
    right: float
    count: int


@dataclass(frozen=True)
class Share:
    """A share with how many it was counted on; nothing counted is None."""

    value: float | None
    count: int

    @staticmethod
    def of(outcomes: Sequence[bool]) -> Share:
        """The share that came true."""
        return Share(float(np.mean(outcomes)) if outcomes else None, len(outcomes))


@dataclass(frozen=True)
class Report:
    """What the score harness found for one stage.

    Attributes
    ----------
    benches, detectable : int
        How many were drawn, and how many have a fault that shows.
    part_first, part_third, group_first : Share
        Of detectable faults: the part first, among the first three, the fault in the first group.
    healthy : Share
        Healthy benches called healthy.
    intervals : Share
        True sizes inside their 90 % intervals.
    removed : Share
        Faults whose mode was taken out: called unmodelled, or its electrical equal.
    mean_first, right : float
        Mean of the largest probability, and share of first answers that were right, over all
        benches; where the two differ the probabilities lie.
    calibration : float
        Expected calibration error: mean over the bins of |probability − right|, by their counts.
    luck : float
        The calibration error that honest probabilities would show on so few benches.
    confusions : tuple of (truth, answer, count)
        Of detectable benches, the commonest first.
    roles : tuple of (part, role)
        What the parts of the stage do.
    """

    stage: str
    benches: int
    detectable: int
    part_first: Share
    part_third: Share
    group_first: Share
    healthy: Share
    intervals: Share
    removed: Share
    mean_first: float
    right: float
    calibration: float
    luck: float
    bins: tuple[Bin, ...]
    confusions: tuple[tuple[str, str, int], ...]
    roles: tuple[tuple[str, str], ...] = ()

    def __repr__(self) -> str:
        share = self.part_first.value
        first = "" if share is None else f", the part first in {100.0 * share:.0f} %"
        return few_lines(
            f"Report on {self.benches} random benches of stage {self.stage}",
            f"{self.detectable} have a fault that shows{first}",
            f"largest probability {self.mean_first:.2f} on average, right {self.right:.2f}",
        )


def report(
    stage: str, scored: Sequence[BenchScore], roles: Mapping[str, str] | None = None
) -> Report:
    """Sum up scored benches.

    Parameters
    ----------
    roles : mapping of part to role, optional
        What the parts of the stage do, for those who read the report.
    """
    seen = [s for s in scored if s.detectable and s.drawn.fault is not None]
    bins = _bins(scored)
    wrong = Counter((s.truth, s.answer) for s in seen if not s.right)
    return Report(
        stage=stage,
        benches=len(scored),
        detectable=len(seen),
        part_first=Share.of([s.place == 1 for s in seen]),
        part_third=Share.of([1 <= s.place <= 3 for s in seen]),
        group_first=Share.of([s.group for s in seen]),
        healthy=Share.of([s.answer == "healthy" for s in scored if s.drawn.fault is None]),
        intervals=Share.of([s.inside for s in seen if s.inside is not None]),
        removed=Share.of([s.removed for s in seen if s.removed is not None]),
        mean_first=float(np.mean([s.first for s in scored])),
        right=float(np.mean([s.right for s in scored])),
        calibration=sum(b.count * abs(b.probability - b.right) for b in bins) / len(scored),
        luck=_luck(scored),
        bins=bins,
        confusions=tuple((t, a, n) for (t, a), n in wrong.most_common(8)),
        roles=tuple((roles or {}).items()),
    )


def _held(scored: Sequence[BenchScore]) -> list[list[BenchScore]]:
    """Answers of like probability together; nothing is left out."""
    by_bin = []
    for low, high in itertools.pairwise(BINS):
        last = high == BINS[-1]
        held = [s for s in scored if low <= s.first < high or (last and s.first >= high)]
        if held:
            by_bin.append(held)
    return by_bin


def _bins(scored: Sequence[BenchScore]) -> tuple[Bin, ...]:
    return tuple(
        Bin(float(np.mean([s.first for s in held])), float(np.mean([s.right for s in held])),
            len(held))
        for held in _held(scored)
    )


def _luck(scored: Sequence[BenchScore]) -> float:
    """Mean of |Σ (p − right)| over the bins where each p is what it says, over all benches.

    A sum of independent ones is about normal, and the mean size of a normal variable is √(2/π)
    of its standard deviation.
    """
    variances = [math.fsum(s.first * (1.0 - s.first) for s in held) for held in _held(scored)]
    return math.sqrt(2.0 / math.pi) * math.fsum(map(math.sqrt, variances)) / len(scored)


def report_json(made: Report) -> dict[str, Any]:
    """The document of ``diagnose score --json``."""
    def share(one: Share) -> dict[str, Any]:
        return {"share": one.value, "of": one.count}

    document = {
        "format": FORMAT,
        "stage": made.stage,
        "benches": made.benches,
        "detectable": made.detectable,
        "part first": share(made.part_first),
        "part in first three": share(made.part_third),
        "fault in first group": share(made.group_first),
        "healthy called healthy": share(made.healthy),
        "size inside 90 % interval": share(made.intervals),
        "removed mode called unmodelled or its electrical equal": share(made.removed),
        "mean largest probability": made.mean_first,
        "first answers right": made.right,
        "expected calibration error": made.calibration,
        "calibration error by luck alone": made.luck,
        "bins": [{"probability": b.probability, "right": b.right, "count": b.count}
                 for b in made.bins],
        "confusions": [{"truth": t, "answer": a, "count": n} for t, a, n in made.confusions],
    }
    return {**document, "roles": named_roles(dict(made.roles), document)}

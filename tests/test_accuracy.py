"""How often the ranking is right, on random single-fault units of three shipped stages.

A statement on few units, so that it can be made on every run: each count must reach what a ranking
that meets its goal reaches in 99 runs of 100 (binomial). The full table, of every stage and of
foreign units too, is made by ``tests/benchmarks/score_table.py``.

Goals: of units whose fault shows, the part first in 80 % and among the first three in 95 %; of
healthy units 95 % called healthy. A fault shows where fewer than 1 of 100 good units would give
such readings; whether it does is decided before anything is ranked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.likelihood import Observed
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import (
    RandomBench,
    detectable,
    draw_benches,
    instrument,
    score,
    weighed_with,
)
from diagnose.studies.reliability import Report, Share, report
from faultlib.simulate import Laboratory
from faultlib.store import Memory

pytestmark = pytest.mark.slow

SEED = 7
STAGES = {"phono-two-transistor": (12, 4), "phono-opamp": (9, 4), "output-complementary": (3, 1)}
"""Units with a fault that shows, and healthy ones; fewer of the stage that takes longest."""
FIRST, THIRD, HEALTHY = 0.80, 0.95, 0.95


@dataclass(frozen=True)
class Scores:
    """The reports of all stages, ranked once for all tests here."""

    reports: dict[str, Report]

    def together(self, name: str) -> list[Share]:
        return [getattr(made, name) for made in self.reports.values()]


def readings(stage: Stage, bench: Laboratory) -> list[Reading]:
    """Those of the blank sheet, less noise and distortion."""
    return [r for r, _ in propose(stage, bench) if r.quantity != "noise" and not r.driven]


def shown(
    stage: Stage, asked: list[Reading], count: int, bench: Laboratory, random: np.random.Generator
) -> list[RandomBench]:
    """The first so many random units whose fault shows."""
    good, _ = weighed_with(stage, asked, (), bench)
    none = ("",) * len(asked)
    drawn = [
        d for d in draw_benches(stage, asked, 5 * count, bench, random, 0.0)
        if detectable(good, Observed(tuple(asked), d.values, instrument(asked, d.values), none))
    ]
    return drawn[:count]


@pytest.fixture(scope="module")
def scores() -> Scores:
    made = {}
    for name, (ill, good) in STAGES.items():
        stage, random = load_stage(name), np.random.default_rng(SEED)
        with Laboratory(Memory()) as bench:
            asked = readings(stage, bench)
            drawn = shown(stage, asked, ill, bench, random)
            drawn += draw_benches(stage, asked, good, bench, random, share_healthy=1.0)
            made[name] = report(name, score(stage, asked, drawn, bench, every=10**6))
    return Scores(made)


def enough(share: Share, goal: float) -> bool:
    """Whether the count is one that a ranking of this goal has in 99 runs of 100."""
    assert share.value is not None
    return round(share.value * share.count) >= int(stats.binom.ppf(0.01, share.count, goal))


@pytest.mark.parametrize("name", STAGES)
def test_the_part_is_first_and_among_the_first_three(scores: Scores, name: str) -> None:
    made = scores.reports[name]
    assert made.detectable == made.part_first.count == STAGES[name][0]
    assert enough(made.part_first, FIRST), made.confusions
    assert enough(made.part_third, THIRD), made.confusions


def test_over_all_stages_together_the_goals_are_met(scores: Scores) -> None:
    """Counts of all stages added: the sharpest statement that these units allow."""
    for name, goal in (("part_first", FIRST), ("part_third", THIRD), ("healthy", HEALTHY)):
        shares = scores.together(name)
        count = sum(s.count for s in shares)
        right = sum(round((s.value or 0.0) * s.count) for s in shares)
        assert enough(Share(right / count, count), goal), name


def test_the_limit_can_be_missed() -> None:
    """13 of 18 pass a goal of 95 % no more; by hand, P(X ≤ 13) of 18 at 0.95 is 0.0015."""
    assert stats.binom.cdf(13, 18, 0.95) < 0.01
    assert not enough(Share(13 / 18, 18), 0.95)
    assert enough(Share(11 / 18, 18), 0.80)
    assert not enough(Share(9 / 18, 18), 0.80)

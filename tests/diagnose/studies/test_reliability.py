"""The report of the score harness against an example worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.show.reliability_figure import reliability_figure
from diagnose.show.text_reliability import score_text
from diagnose.studies.random_benches import BenchScore, RandomBench
from diagnose.studies.reliability import (
    BINS,
    Bin,
    Report,
    Share,
    report,
    report_json,
)
from faultlib.fault import Fault

NONE = np.zeros(1)


def scored(
    truth: str,
    answer: str,
    first: float,
    place: int = 1,
    seen: bool = True,
    inside: bool | None = None,
    removed: bool | None = None,
) -> BenchScore:
    part, _, mode = truth.partition(" ")
    fault = None if truth == "healthy" else Fault(part, mode)
    return BenchScore(RandomBench(fault, NONE, NONE), seen, place, 0.0, first, answer, place == 1,
                      inside, removed)


SIX = (
    scored("C1 open", "C1 open", 0.95, inside=True, removed=True),
    scored("C1 leakage", "C1 open", 0.85, inside=True),  # the part is right, the mode is not
    scored("C2 open", "C1 open", 0.95, place=2, inside=False, removed=False),
    scored("R1 open", "R2 open", 0.50, place=4),
    scored("R3 drift up", "healthy", 0.45, place=3, seen=False, inside=True),
    scored("healthy", "healthy", 0.90, place=0, seen=False),
)
"""Bins by hand: 0.4…0.6 holds 0.50 (wrong) and 0.45 (wrong); 0.8…0.9 holds 0.85 (right);
0.9…1 holds 0.95 (right), 0.95 (wrong) and 0.90 (right)."""


def made() -> Report:
    return report("worked", SIX)


def test_answers_of_like_probability_are_counted_together() -> None:
    bins = made().bins
    assert [b.count for b in bins] == [2, 1, 3]
    assert [b.probability for b in bins] == pytest.approx([0.475, 0.85, 2.80 / 3.0])
    assert [b.right for b in bins] == pytest.approx([0.0, 1.0, 2.0 / 3.0])


def test_the_calibration_error_by_hand() -> None:
    """Guo et al. 2017, eq. 3: Σ n/N · |accuracy − confidence|.

    (2 · 0.475 + 1 · 0.15 + 3 · |2.80/3 − 2/3|) / 6 = (0.95 + 0.15 + 0.80) / 6.
    """
    assert made().calibration == pytest.approx(1.90 / 6.0)
    assert made().mean_first == pytest.approx(4.60 / 6.0)
    assert made().right == pytest.approx(3.0 / 6.0)


@pytest.mark.slow
def test_what_luck_alone_makes_of_the_error() -> None:
    """Against draws in which every probability is honest (2 % of the mean of 20 000)."""
    random = np.random.default_rng(1)
    chances = random.uniform(0.3, 1.0, 400)
    answers = [scored("C1 open", "C1 open", float(p)) for p in chances]
    which = np.digitize(chances, BINS[1:-1])
    errors = [
        sum(abs(float((chances - (random.uniform(size=400) < chances))[which == b].sum()))
            for b in range(len(BINS) - 1)) / 400.0
        for _ in range(20_000)
    ]
    assert report("worked", answers).luck == pytest.approx(float(np.mean(errors)), rel=0.02)



def test_shares_are_of_the_benches_that_they_speak_of() -> None:
    """Four faults show; two of them have their part first, three among the first three."""
    found = made()
    assert (found.benches, found.detectable) == (6, 4)
    assert found.part_first == Share(0.5, 4)
    assert found.part_third == Share(0.75, 4)
    assert found.group_first == Share(0.5, 4)
    assert found.healthy == Share(1.0, 1)
    assert found.removed == Share(0.5, 2)
    assert found.intervals.count == 3  # R3 does not show
    assert found.intervals.value == pytest.approx(2.0 / 3.0)


def test_what_was_taken_for_another_is_listed() -> None:
    """A wrong mode of the right part is no confusion: the part is what is replaced."""
    assert set(made().confusions) == {("C2 open", "C1 open", 1), ("R1 open", "R2 open", 1)}


def test_nothing_counted_is_no_share() -> None:
    only = report("healthy only", [SIX[-1]])
    assert only.part_first == Share(None, 0)
    assert only.intervals == Share(None, 0)
    assert "-" in score_text(only)


def test_a_part_that_is_not_named_at_all_is_not_among_the_first() -> None:
    assert report("x", [scored("C1 open", "healthy", 0.9, place=0)]).part_third == Share(0.0, 1)


@pytest.mark.parametrize("edge", BINS)
def test_every_probability_falls_into_one_bin(edge: float) -> None:
    """Limits belong to the bin above them, and certainty to the last one."""
    (one,) = report("edge", [scored("healthy", "healthy", edge, seen=False)]).bins
    assert one == Bin(edge, 1.0, 1)


def test_honest_answers_have_no_error() -> None:
    """Of ten answers at 0.7, seven right: P = 0.7 means right seven times out of ten."""
    ten = [scored("C1 open", "C1 open" if k < 7 else "C2 open", 0.7) for k in range(10)]
    assert report("honest", ten).calibration == pytest.approx(0.0, abs=1e-12)
    sure = [scored("C1 open", "C2 open", 1.0) for _ in range(4)]
    assert report("liar", sure).calibration == pytest.approx(1.0)


def test_the_document_says_the_same() -> None:
    document = report_json(made())
    assert document["part first"] == {"share": 0.5, "of": 4}
    assert document["expected calibration error"] == pytest.approx(1.90 / 6.0)
    assert math.fsum(b["count"] for b in document["bins"]) == 6
    assert document["size inside 90 % interval"]["of"] == 3


def test_the_text_and_the_figure_say_the_same() -> None:
    text = " ".join(score_text(made()).split())
    assert "6 random units of stage worked" in text
    assert "4 of them have a fault that shows" in text
    assert "calibration error 0.317" in text
    assert "Taken for another" in text
    (panel,) = reliability_figure(made()).panels
    said, came = panel.series[1].x, panel.series[1].y
    assert list(said) == pytest.approx([0.475, 0.85, 2.80 / 3.0])
    assert list(came) == pytest.approx([0.0, 1.0, 2.0 / 3.0])

"""What is learnt from repairs, against closed forms.

Dirichlet and gamma posteriors are those of the textbooks (Gelman et al., *Bayesian Data Analysis*,
from memory): with a prior worth a cases and n of N, (a·p + n)/(a + N).
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from circuits.load import load_stage
from circuits.stage import Stage
from diagnose import load_stage as load_stage_of_data
from faultlib.catalogue import hypotheses, kind_modes
from faultlib.learnt import NOTHING_LEARNT, RATE_WORTH, WORTH, Count, Learnt, Served, shares

FORTY = 40.0


def load_stage_of(parts: dict[str, object]) -> Stage:
    return load_stage_of_data({
        "stage": "variable", "ports": {"input": "in", "output": "out"}, "parts": parts})


def of(kind: str, *counts: Count, age: float = FORTY) -> dict[str, tuple[float, float]]:
    made = shares(kind_modes(kind), age, Learnt(1, counts))
    return {s.mode: (s.without, s.share) for s in made}


def test_the_prior_is_worth_ten_cases() -> None:
    assert WORTH == 10.0  # what the shop was told


@pytest.mark.parametrize("number", [1, 7, 200])
def test_a_share_is_the_mean_of_the_dirichlet_posterior(number: int) -> None:
    told = of("electrolytic", Count("electrolytic", "short", FORTY, number),
              Count("electrolytic", "open", FORTY, 3), Count("film", "open", FORTY, 50))
    names = list(told)
    before = [told[name][0] for name in names]
    met = [{"short": number, "open": 3}.get(name, 0) for name in names]
    expected = stats.dirichlet.mean([WORTH * p + n for p, n in zip(before, met, strict=True)])
    assert [told[name][1] for name in names] == pytest.approx(list(expected), rel=1e-12)
    assert math.fsum(expected) == pytest.approx(1.0)


def test_what_every_age_expects_is_told_from_what_it_does_not() -> None:
    """Repairs that are spread as the library has them for their age move no share at any age."""
    young = {s.mode: s.without for s in shares(kind_modes("electrolytic"), 5.0, NOTHING_LEARNT)}
    counts = tuple(Count("electrolytic", name, 5.0, round(1e9 * p)) for name, p in young.items())
    for before, after in of("electrolytic", *counts, age=60.0).values():
        assert after == pytest.approx(before, rel=1e-6)


def test_a_mode_of_another_library_counts_for_none() -> None:
    told = of("electrolytic", Count("electrolytic", "grew legs", FORTY, 9))
    assert all(after == pytest.approx(before) for before, after in told.values())


def test_a_rate_is_the_mean_of_the_gamma_posterior() -> None:
    """Of 30 failures 20 were due to one kind by its rate, and 12 came."""
    learnt = Learnt(30, (), (Served("electrolytic", 2.0, 12), Served("film", 1.0, 18)))
    for kind, due, came in (("electrolytic", 20.0, 12), ("film", 10.0, 18)):
        mean = stats.gamma.mean(RATE_WORTH + came, scale=1.0 / (RATE_WORTH + due))
        assert learnt.rate(kind) == pytest.approx(mean, rel=1e-12)
    assert learnt.rate("npn") == 1.0


def test_how_long_units_run_a_day_is_nothing_to_a_rate() -> None:
    once = Learnt(5, (), (Served("electrolytic", 2.0, 3), Served("film", 1.0, 2)))
    thrice = Learnt(5, (), (Served("electrolytic", 6.0, 3), Served("film", 3.0, 2)))
    assert once.rate("film") == pytest.approx(thrice.rate("film"), rel=1e-12)


def test_without_a_log_every_weight_is_as_it_was_to_the_last_digit() -> None:
    stage = load_stage("phono-two-transistor")
    assert hypotheses(stage, FORTY, Learnt()) == hypotheses(stage)
    other = Learnt(1, (Count("relay", "fails to close", FORTY, 4),))
    assert hypotheses(stage, FORTY, other) == hypotheses(stage)


@pytest.mark.parametrize("name", ["phono-two-transistor", "output-complementary"])
def test_learning_moves_shares_and_leaves_the_whole_of_a_kind(name: str) -> None:
    """Only the modes of electrolytics move, and by one factor each wherever they stand."""
    stage = load_stage(name)
    learnt = Learnt(12, (Count("electrolytic", "short", FORTY, 12),))
    before, after = hypotheses(stage), hypotheses(stage, FORTY, learnt)
    told = {s.mode: s.share / s.without
            for s in shares(kind_modes("electrolytic"), FORTY, learnt)}
    assert told["short"] > 3.0
    for one, other in zip(before, after, strict=True):
        factor = told[one.mode.name] if one.kind == "electrolytic" else 1.0
        assert other.prior == pytest.approx(one.prior * factor, rel=1e-12)


def test_either_end_of_a_variable_resistor_is_one_fault_with_both_shares() -> None:
    """A potentiometer of two nodes: open at the top or at the bottom is the same circuit."""
    stage = load_stage_of({"VR1": {"kind": "potentiometer", "nodes": ["in", "out"],
                                   "value": "10k"},
                           "R1": {"kind": "metal-film", "nodes": ["out", "0"], "value": "10k"}})
    modes = kind_modes("potentiometer")
    ends = {"open at top", "open at bottom"}
    learnt = Learnt(4, (Count("potentiometer", "open at bottom", FORTY, 4),))
    after = [h for h in hypotheses(stage, FORTY, learnt)
             if h.part == "VR1" and h.mode.name.startswith("open")]
    weights = {m.name: m.weight(FORTY) for m in modes.modes}
    whole = math.fsum(weights.values())
    assert len(after) == 1
    told = ends | {after[0].mode.name}
    share = math.fsum((WORTH * weights[name] / whole + 4.0 * (name == "open at bottom"))
                      / (WORTH + 4.0) for name in told)
    assert after[0].prior == pytest.approx(modes.rate.aged(FORTY) * whole * share, rel=1e-12)

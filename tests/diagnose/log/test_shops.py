"""Shops that learn: better where their truth is not the handbook's, and not worse on average.

A shop is simulated at the level of priors times a likelihood: a unit has a fault by the shop's own
shares, and readings that look-alikes share up to noise. The likelihood is the exact density of
these readings, so that all that is held here is the prior. Everything is seeded.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from numpy.typing import NDArray

from circuits.load import load_stage
from faultlib.catalogue import hypotheses, kind_modes
from faultlib.learnt import WORTH, Count, Learnt, shares

Array = NDArray[np.float64]
STAGE = load_stage("phono-two-transistor")
KNOWN = hypotheses(STAGE)
PLAIN = np.array([h.prior for h in KNOWN]) / math.fsum(h.prior for h in KNOWN)
LIKE = 4
"""Faults that share a signature: readings that cannot tell them apart are what priors are for."""
CASES = 30
FRESH = 300


def benches(rng: np.random.Generator) -> Array:
    """What each fault does to three readings, in units of their noise; look-alikes in fours."""
    order = rng.permutation(len(KNOWN))
    marks = rng.normal(0.0, 5.0, (len(KNOWN) // LIKE + 1, 3))
    return np.asarray(marks[order // LIKE] + rng.normal(0.0, 0.3, (len(KNOWN), 3)))


def truth(rng: np.random.Generator, odd: float) -> Array:
    """The shares of a shop: drawn around those of the library, as widely as these are sure of.

    `odd` more of what the library has least among electrolytics: dead shorts by the box.
    """
    made = PLAIN.copy()
    for kind in {h.kind for h in KNOWN}:
        told = shares(kind_modes(kind), 40.0, Learnt())
        drawn = dict(zip((s.mode for s in told), rng.dirichlet(
            [max(WORTH * s.without, 1e-6) for s in told]), strict=True)) if not odd else {
            s.mode: s.without * (odd if (kind, s.mode) == ("electrolytic", "short") else 1.0)
            for s in told}
        whole = math.fsum(drawn.values())
        factor = {s.mode: drawn[s.mode] / whole / s.without if s.without else 1.0 for s in told}
        for k, h in enumerate(KNOWN):
            if h.kind == kind:
                made[k] *= factor[h.mode.name]
    return np.asarray(made / made.sum())


def learnt_from(faults: NDArray[np.intp]) -> Array:
    counted = Counter((KNOWN[k].kind, KNOWN[k].mode.name) for k in faults)
    learnt = Learnt(len(faults), tuple(sorted(
        Count(kind, mode, 40.0, n) for (kind, mode), n in counted.items())))
    made = np.array([h.prior for h in hypotheses(STAGE, 40.0, learnt)])
    return np.asarray(made / made.sum())


def told(prior: Array, signatures: Array, faults: NDArray[np.intp], read: Array) -> Array:
    """Log probability of the truth, and whether it came first, of each unit."""
    apart = ((read[:, None, :] - signatures[None, :, :]) ** 2).sum(axis=2)
    logs = np.log(prior)[None, :] - 0.5 * apart
    logs -= np.logaddexp.reduce(logs, axis=1)[:, None]
    rows = np.arange(len(faults))
    return np.stack([logs[rows, faults], logs.argmax(axis=1) == faults])


def gain(seed: int, odd: float = 0.0, handbook: bool = False) -> Array:
    """What thirty proved repairs bring: nats for the truth, and share of first answers right."""
    rng = np.random.default_rng(seed)
    signatures, shop = benches(rng), PLAIN if handbook else truth(rng, odd)
    before = rng.choice(len(KNOWN), CASES, p=shop)
    fresh = rng.choice(len(KNOWN), FRESH, p=shop)
    read = signatures[fresh] + rng.normal(size=(FRESH, 3))
    with_log = told(learnt_from(before), signatures, fresh, read)
    without = told(PLAIN, signatures, fresh, read)
    return np.asarray((with_log - without).mean(axis=1))


@pytest.mark.slow
def test_a_shop_whose_truth_is_another_gets_better_answers() -> None:
    """One in ten electrolytics of the library is ten in a shop: every such shop gains."""
    gains = np.array([gain(seed, odd=20.0) for seed in range(12)])
    assert (gains[:, 0] > 0.0).all()
    assert gains[:, 0].mean() > 0.1
    assert gains[:, 1].mean() > 0.02


@pytest.mark.slow
def test_shops_as_far_from_the_library_as_it_is_unsure_gain_on_average() -> None:
    """Bayes: where truths are drawn from the prior, learning never costs on average."""
    gains = np.array([gain(seed) for seed in range(100, 130)])
    mean, error = gains[:, 0].mean(), gains[:, 0].std() / math.sqrt(len(gains))
    assert mean > 2.0 * error
    assert gains[:, 1].mean() > -0.005


@pytest.mark.slow
def test_a_shop_that_is_as_the_library_says_loses_nothing_that_shows() -> None:
    """Shares learnt from thirty cases stray by luck alone; what that costs has a bound.

    Of a multinomial share the expected loss is (k - 1)·N / 2(a + N)² nats with k modes of one kind
    (the expected divergence of the posterior mean, to second order).
    """
    gains = np.array([gain(seed, handbook=True) for seed in range(200, 230)])
    modes = len({h.mode.name for h in KNOWN if h.kind == "electrolytic"})
    bound = (modes - 1) * CASES / (2.0 * (WORTH + CASES) ** 2)
    assert gains[:, 0].mean() > -bound
    assert abs(gains[:, 1].mean()) < 0.01


def test_what_is_proved_teaches_the_truth_and_first_answers_teach_themselves() -> None:
    """A shop that believed its own first answers would learn less than half of what is so."""
    rng = np.random.default_rng(7)
    parts = [h.part for h in KNOWN]  # readings here tell the part and not its mode
    marks = rng.normal(0.0, 5.0, (len(KNOWN), 3))
    signatures, shop = marks[[parts.index(p) for p in parts]], truth(rng, 20.0)
    faults = rng.choice(len(KNOWN), 400, p=shop)
    read = signatures[faults] + rng.normal(size=(400, 3))
    apart = ((read[:, None, :] - signatures[None, :, :]) ** 2).sum(axis=2)
    believed = (np.log(PLAIN)[None, :] - 0.5 * apart).argmax(axis=1)
    shorts = [k for k, h in enumerate(KNOWN)
              if (h.kind, h.mode.name) == ("electrolytic", "short")]
    right, wrong = learnt_from(faults), learnt_from(believed)
    gap = math.log(shop[shorts].sum() / PLAIN[shorts].sum())
    assert math.log(right[shorts].sum() / PLAIN[shorts].sum()) > 0.75 * gap
    assert math.log(wrong[shorts].sum() / PLAIN[shorts].sum()) < 0.5 * gap


@pytest.mark.parametrize(("cases", "met", "left"), [(5, 2, 1.1), (20, 9, 0.4), (100, 46, 0.1)])
def test_a_share_that_is_wrong_by_a_factor_of_ten_comes_right(
    cases: int, met: int, left: float
) -> None:
    """Of electrolytics one in twenty-two is open by the library, nearly one in two in a shop.

    That is 2.3 nats, of which so many are left after so many cases.
    """
    counts = (Count("electrolytic", "capacitance loss", 40.0, cases - met),
              Count("electrolytic", "open", 40.0, met))
    told_of = {s.mode: s for s in shares(kind_modes("electrolytic"), 40.0, Learnt(cases, counts))}
    p = told_of["open"].without
    assert p == pytest.approx(0.046, abs=0.001)
    assert told_of["open"].share == pytest.approx((WORTH * p + met) / (WORTH + cases))
    assert 0.5 * left < math.log(10.0 * p / told_of["open"].share) < left

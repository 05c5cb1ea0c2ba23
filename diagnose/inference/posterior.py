"""From simulated signatures and readings to the probability of every hypothesis.

Every fault is screened, those that could still matter are scored with the spread of their own
faulty unit (`diagnose.inference.screen`), and the last few are fitted live
(`diagnose.inference.relinearise`). Health and a fault outside the library compete like any other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.inference.evidence import Scored, log_sum, rescored
from diagnose.inference.likelihood import Covariance, Observed, spread, tail
from diagnose.inference.phasors import Phases, phases
from diagnose.inference.relinearise import fitted
from diagnose.inference.restart import restarted
from diagnose.inference.screen import good_units, own_spreads, screened
from diagnose.inference.unmodelled import unmodelled
from faultlib.signature import Signatures, Stepwise
from faultlib.simulate import Bench, Variant

PRIOR_HEALTHY = 0.25
"""Chance that a unit is good: somebody put it on the bench thinking that it is ill (judgement)."""
PRIOR_UNMODELLED = 0.03
"""Chance that what a unit suffers from stands in no library (judgement)."""
KNOWN_BAD = 0.02
"""How much less likely health is of a unit with a part that was tested bad: the test may have been
wrong, or the part not matter (judgement)."""


@dataclass(frozen=True)
class Posterior:
    """Probabilities of everything that competes.

    Attributes
    ----------
    suspects : tuple of (Scored, float)
        Every modelled fault with its probability, by falling probability.
    healthy, unmodelled : float
        Probability of health, and of a fault outside the library.
    fit : float
        Chance that a unit with the best hypothesis gives readings farther off than these.
    healthy_evidence : float
        Natural logarithm of the evidence of health, as suspects have theirs.
    """

    suspects: tuple[tuple[Scored, float], ...]
    healthy: float
    unmodelled: float
    fit: float
    healthy_spread: Covariance
    healthy_evidence: float


@dataclass(frozen=True)
class Weighed:
    """Everything scored, before probabilities are shared out.

    Attributes
    ----------
    scored : tuple of Scored
        One a signature.
    healthy, unmodelled : float
        Logarithms of prior times evidence.
    healthy_square : float
        Squared distance of the readings from a healthy unit.
    healthy_size : int
        How many readings it is of.
    healthy_evidence : float
        Natural logarithm, without its prior.
    phases : Phases or None
        What unknown phases do to levels of the healthy unit.
    """

    scored: tuple[Scored, ...]
    healthy: float
    unmodelled: float
    healthy_square: float
    healthy_size: int
    healthy_spread: Covariance
    healthy_evidence: float
    phases: Phases | None = None

    def fit(self) -> float:
        """Chance that a unit with the best hypothesis gives readings farther off than these."""
        return _fit(self, self.scored)


def _fit(weighed: Weighed, scored: Sequence[Scored]) -> float:
    """Of the most probable hypothesis; one with a wide spread fits anything and proves nothing."""
    best = max(scored, key=lambda s: s.score, default=None)
    ill = best is not None and best.score > weighed.healthy
    if best is not None and ill:
        return tail(best.square, best.size)
    return tail(weighed.healthy_square, weighed.healthy_size)


def share(weighed: Weighed, pairs: Sequence[Scored] = ()) -> Posterior:
    """Share out probability among everything that competes.

    Parameters
    ----------
    pairs : sequence of Scored
        Two faults at once, where they were looked at.
    """
    scored = [*weighed.scored, *pairs]
    logs = np.array([s.score for s in scored] + [weighed.healthy, weighed.unmodelled])
    probabilities = np.exp(logs - log_sum(logs))
    order = np.argsort(-probabilities[:-2], kind="stable")
    return Posterior(
        tuple((scored[i], float(probabilities[i])) for i in order),
        float(probabilities[-2]),
        float(probabilities[-1]),
        _fit(weighed, scored),
        weighed.healthy_spread,
        weighed.healthy_evidence,
    )


def weigh(
    signatures: Signatures,
    observed: Observed,
    log_priors: Sequence[float],
    bench: Bench,
    progress: Stepwise | None = None,
    bad: bool = False,
    whole: float | None = None,
) -> Weighed:
    """Score every hypothesis, health, and a fault outside the library.

    Parameters
    ----------
    observed : Observed
        Of the same readings.
    log_priors : sequence of float
        One a signature, relative to each other.
    bench : Bench
        Takes the readings of faulty units with moved parts.
    bad : bool
        Whether a part of the unit is known to be bad, so that health is unlikely.
    whole : float, optional
        Logarithm of the sum of all weights, where faults were left out that could not matter.
    """
    modelled = math.log1p(-PRIOR_HEALTHY - PRIOR_UNMODELLED)
    if whole is None:
        whole = log_sum(np.array(log_priors)) if len(log_priors) else 0.0
    (turns,) = phases(
        signatures.stage, [Variant()], observed.readings, bench, observed.channels, progress
    )
    observed = replace(observed, phases=turns)
    among = good_units(signatures, observed)
    weights = [log_prior - whole + modelled for log_prior in log_priors]
    scored = screened(signatures.faults, signatures, observed, weights, among)
    good = healthy(signatures, observed, PRIOR_HEALTHY * (KNOWN_BAD if bad else 1.0))
    scored = own_spreads(scored, signatures, observed, bench, progress, good.score)
    scored, good = fitted(scored, good, signatures, observed, bench, progress)
    scored = restarted(scored, good, signatures, observed, bench, progress)
    weighed = Weighed(
        tuple(scored), good.score, -math.inf, good.square, good.size, good.spread,
        good.log_evidence, turns,
    )
    unknown = unmodelled(scored, signatures, observed, weighed.fit(), modelled)
    return replace(weighed, unmodelled=math.log(PRIOR_UNMODELLED) + unknown)


def healthy(
    signatures: Signatures, observed: Observed, prior: float = PRIOR_HEALTHY
) -> Scored:
    """Health as a hypothesis without a fault."""
    around = spread(observed, signatures.strays, signatures.healthy)
    bare = Scored((), math.log(prior), 0.0, np.zeros((1, 0)), np.ones(1),
                  signatures.healthy[None, :], 0.0, 0, around)
    return rescored(bare, around, observed)

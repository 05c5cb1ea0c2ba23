"""What readings that look healthy do not rule out: faults too slight to tell from none.

A fault whose likely sizes read like a good unit is no suspect. It belongs to the answer "nothing
wrong shows", with the size up to which it hides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diagnose.inference.evidence import Scored
from diagnose.inference.groups import NEAR
from diagnose.inference.likelihood import Array
from diagnose.inference.posterior import Posterior

MOSTLY = 0.5
"""A suspect of whose probability at least this share looks like health is not named as one."""
_STRONG = 3.0
"""Log Bayes factor from which on readings speak for a fault and against health: 20 to 1, "strong"
in Kass and Raftery, Bayes factors, J. Am. Stat. Assoc. 90 (1995) 773."""


@dataclass(frozen=True)
class Hiding:
    """How much of a suspect looks like health.

    Attributes
    ----------
    scored : Scored
    probability : float
        Of the suspect, at all its sizes.
    share : float
        Part of that at sizes which these readings cannot tell from health.
    place : float or None
        Where on the mode's scale it begins to show; None where it shows nowhere, or always.
    """

    scored: Scored
    probability: float
    share: float
    place: float | None


def hiding(
    posterior: Posterior, healthy: Array, channels: bool = False
) -> tuple[Hiding, ...]:
    """Of every suspect, how much of it looks like health.

    Parameters
    ----------
    posterior : Posterior
    healthy : (m,) array
        Readings of a good unit.
    channels : bool
        Whether two channels were read: what both show alike may be the stage file's error, and how
        large that is nobody knows so well that odds of it would tell.
    """
    strong = math.inf if channels else _STRONG
    return tuple(_hiding(s, p, healthy, posterior, strong) for s, p in posterior.suspects)


def _hiding(
    scored: Scored, probability: float, healthy: Array, posterior: Posterior, strong: float
) -> Hiding:
    # half the Bhattacharyya distance's σ-units: groups call two suspects one below the same
    near = posterior.healthy_spread.squares(scored.predicted - healthy) < 8.0 * NEAR
    # what these very readings speak for they do tell from health, however little it moves them
    with np.errstate(divide="ignore"):
        likely = scored.log_evidence + np.log(scored.weights / scored.cells(scored.places))
    near &= likely - posterior.healthy_evidence < strong
    share = float(scored.weights[near].sum())
    place = None
    if len(scored.hypotheses) == 1 and near.any() and not near.all():
        place = float(scored.places[~near, 0].min())
    return Hiding(scored, probability, share, place)

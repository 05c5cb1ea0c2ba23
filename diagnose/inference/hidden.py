"""What readings that look healthy do not rule out: faults too slight to tell from none.

A fault whose likely sizes read like a good unit is no suspect. It belongs to the answer "nothing
wrong shows", with the size up to which it hides.
"""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.inference.evidence import Scored
from diagnose.inference.groups import NEAR
from diagnose.inference.likelihood import Array, Covariance
from diagnose.inference.posterior import Posterior

MOSTLY = 0.5
"""A suspect of whose probability at least this share looks like health is not named as one."""


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


def hiding(posterior: Posterior, healthy: Array) -> tuple[Hiding, ...]:
    """Of every suspect, how much of it looks like health.

    Parameters
    ----------
    posterior : Posterior
    healthy : (m,) array
        Readings of a good unit.
    """
    around = posterior.healthy_spread
    return tuple(_hiding(s, p, healthy, around) for s, p in posterior.suspects)


def _hiding(scored: Scored, probability: float, healthy: Array, around: Covariance) -> Hiding:
    # half the Bhattacharyya distance's σ-units: groups call two suspects one below the same
    near = around.squares(scored.predicted - healthy) < 8.0 * NEAR
    share = float(scored.weights[near].sum())
    place = None
    if len(scored.hypotheses) == 1 and near.any() and not near.all():
        place = float(scored.places[~near, 0].min())
    return Hiding(scored, probability, share, place)

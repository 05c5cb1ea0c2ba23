"""In which stage or supply of a unit the fault is, as the suspects' probabilities summed there."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.stage import Stage
from diagnose.inference.evidence import Scored

Shares = tuple[tuple[str, float], ...]
"""Stages and supplies by name with their probability."""


def by_stage(stage: Stage, suspects: Sequence[tuple[Scored, float]]) -> Shares:
    """The probability of every stage and supply of a unit; nothing for a single stage.

    Two faults at once count half for each of their places.

    Parameters
    ----------
    suspects : sequence of (Scored, float)
        With their probabilities.

    Returns
    -------
    tuple of (str, float)
        By falling probability; equal ones in the order of the signal, supplies last.
    """
    chain = stage.chain
    if chain is None:
        return ()
    shares = dict.fromkeys((*chain.names, *chain.supplies), 0.0)
    for scored, probability in suspects:
        for hypothesis in scored.hypotheses:
            owner = chain.owner(hypothesis.part)
            if owner:
                shares[owner] += probability / len(scored.hypotheses)
    return tuple(sorted(shares.items(), key=lambda item: -item[1]))

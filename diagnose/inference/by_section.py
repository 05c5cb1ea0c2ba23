"""In what section of a stage the fault is, where its parts are only examples of their role."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.stage import Stage
from diagnose.inference.by_stage import Shares
from diagnose.inference.evidence import Scored
from faultlib.designs import designs, section


def by_section(stage: Stage, suspects: Sequence[tuple[Scored, float]]) -> Shares:
    """The probability of every section (`faultlib.designs`), the most probable first.

    Two faults at once count half for each of their sections.

    Parameters
    ----------
    suspects : sequence of (Scored, float)
        With their probabilities.
    """
    shares = {one.name: 0.0 for one in designs().sections}
    for scored, probability in suspects:
        for hypothesis in scored.hypotheses:
            name = section(stage, hypothesis.part).name
            shares[name] += probability / len(scored.hypotheses)
    return tuple(sorted(shares.items(), key=lambda item: -item[1]))

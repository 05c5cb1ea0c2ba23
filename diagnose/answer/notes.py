"""What an answer rests on, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from circuits.prompt import counted, some
from circuits.reading import compared, from_compared
from circuits.stage import Stage
from diagnose.answer.hum import pattern
from diagnose.answer.trace import off, traced
from diagnose.inference.censored import contradictions
from diagnose.inference.channels import NOMINAL, alike
from diagnose.inference.likelihood import Observed
from diagnose.inference.pairs import POOR_FIT
from diagnose.inference.posterior import Posterior
from diagnose.inference.remarks import remarks
from diagnose.sheet.case import Case
from faultlib.signature import Signatures
from faultlib.simulate import LATE, Problem

if TYPE_CHECKING:
    from diagnose.inference.infer import Weighing


def notes_of(made: Weighing, unread: Sequence[str]) -> tuple[str, ...]:
    """What the answer rests on, in the order of what it says about the readings.

    Parameters
    ----------
    unread : sequence of str
        Published figures that no reading decides.
    """
    case, used, found, posterior = made.case, made.used, made.found, made.posterior
    notes = [f"{len(used)} readings held against {len(found.faults)} possible faults"]
    rails = [rail.name for rail in case.stage.rails]
    hum = pattern(used, _levels(made), case.stage.mains, rails)
    if hum:
        notes.append(hum)
    notes += _traced(case.stage, made.own, found)
    if made.dropped:
        notes.append(made.dropped)
    left = [m.reading.label() for m in case.readings if not case.weighs(m.reading)]
    if left:
        notes.append("not simulated, so not ranked by: " + ", ".join(left))
    if case.dense:
        notes.append(f"{len(case.dense)} more points of dense sweeps are held against the "
                     "published limits only")
    notes += [f"no reading settles the published figure: {limit}" for limit in unread]
    if posterior.fit < POOR_FIT:
        notes.append(
            "no known fault explains these readings well: check the readings, the part values and "
            "whether the stage file fits this unit"
        )
        notes += _against(made)
    notes += _channel_notes(case, posterior)
    notes += _design_notes(made)
    notes += _guess_notes(case.stage)
    notes += [f"noticed {words!r}: {remarks()[words].about}" for words in case.observations]
    failed = tuple(_told(p) for p in found.problems if p.kind != LATE)
    if made.watch is None:
        return (*notes, *failed)
    return (*made.watch.missing(), *notes, *failed, *made.watch.one_by_one())


def _levels(made: Weighing) -> list[float]:
    """The readings of a good unit on their compared scale, as a meter shows them."""
    plain = [m.reading for m in made.used]
    return [compared(r, from_compared(s, float(x)))
            for r, s, x in zip(plain, made.own.readings, made.found.healthy, strict=False)]


_FAR = 5.0
"""Standard deviations, given all others, beyond which a reading speaks against an answer."""


def _against(made: Weighing) -> list[str]:
    """Which readings the leading suspect leaves unexplained, the worst first; at most three."""
    if not made.posterior.suspects:
        return []
    leading, _ = made.posterior.suspects[0]
    row = leading.predicted[leading.best]
    apart = np.abs(contradictions(made.observed, row, leading.spread))
    worst = [int(k) for k in np.argsort(-apart)[:3] if apart[k] > _FAR]
    if not worst:
        return []
    name = " with ".join(h.label() for h in leading.hypotheses)
    told = "; ".join(_named(made, k) for k in worst)
    return [f"{name}, the likeliest known fault, does not explain: {told}. Take these again"]


def _named(made: Weighing, k: int) -> str:
    """A reading that was weighed, with its channel where there are two."""
    label = made.observed.readings[k].label()
    if not made.observed.channels:
        return label
    other = next(name for name, _ in made.case.channels if name != made.case.suspect)
    return f"{label}, {(made.case.suspect, other)[made.observed.channels[k]]}"


def _channel_notes(case: Case, posterior: Posterior) -> list[str]:
    """What the second channel adds to the answer, in words."""
    if not case.reference:
        return []
    other = next(name for name, _ in case.channels if name != case.suspect)
    notes = [f"the {other} channel is the reference for the {case.suspect} one"]
    if not any(rail.name in case.shared for rail in case.stage.rails):
        notes.append("each channel has its own supply, so a supply fault is looked for in one only")
    if not case.shared:
        return notes
    both = alike([(s.hypotheses[0].part, p) for s, p in posterior.suspects], case.shared)
    if both > 0.5:
        notes.append(
            f"both channels are off alike: suspect what they share ({', '.join(case.shared)})"
        )
    return notes


def _design_notes(made: Weighing) -> list[str]:
    """What the expected figures were taken for, in words."""
    case, observed = made.case, made.observed
    if not case.expected:
        return []
    if observed.channels:
        return ["the expected figures are shown beside the readings only: of what the stage file "
                "does not know, the good channel tells"]
    weighed = [e for e in case.expected if e.weighed]
    left = [e.reading.label() for e in case.expected if not e.weighed]
    notes = []
    if weighed:
        many = counted(len(weighed), "expected figure")
        notes.append(f"{many} taken as what a good unit of this design reads")
    if observed.wide > 1.0:
        notes.append(
            "by the expected figures this design has other values than the stage file: parts and "
            f"rails are thought to lie {100.0 * NOMINAL * observed.wide:.0f} % off, in the unit "
            "as in the figures"
        )
    if left:
        notes.append("expected, not simulated, so not ranked by: " + ", ".join(left))
    return notes


def _traced(stage: Stage, observed: Observed, found: Signatures) -> tuple[str, ...]:
    """What tracing the signal along a unit tells."""
    if stage.chain is None:
        return ()
    mine = slice(0, len(observed.readings))
    deviations = off(observed, found.healthy[mine], found.strays[:, mine])
    return traced(stage, observed.readings, deviations)


def _told(problem: Problem) -> str:
    return f"could not be simulated: {problem.variant} ({problem.kind}: {problem.text})"


def _guess_notes(stage: Stage) -> list[str]:
    """What of the stage file was guessed and nobody has confirmed."""
    guesses = sum(len(words) for _, words in stage.guessed)
    if not guesses:
        return []
    of = some([name for name, _ in stage.guessed], 6)
    many = counted(guesses, "guess", "guesses")
    return [f"nobody has confirmed {many} of the stage file: {of}"]

"""Readings to take next as text, short and in detail; and what became of a repair."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.advice.next_reading import Meaning, NextReading
from diagnose.answer.result import RepairProof
from diagnose.show.text_cautions import cautions_text, mind_text
from diagnose.show.text_page import DIM, STRONG, WIDTH, Page
from diagnose.show.wording import (
    MOST_READINGS,
    amount,
    chance,
    healthy_text,
    sentence,
    span,
    worth_text,
)

SHOWN = 3
"""Readings that `diagnose rank` shows."""


def next_table(page: Page, proposed: Sequence[NextReading]) -> None:
    """The short list of ``diagnose rank``: the first few, each with what it would mean."""
    for item in proposed[:SHOWN]:
        page.line(item.reading, STRONG, indent=2)
        page.line(f"{worth_text(item)}; {item.effort}", indent=4)
        mind_text(page, item.caution, indent=4)
        page.line(meaning_text(item), indent=4)
    if len(proposed) > SHOWN:
        page.line("diagnose next shows more of them, and how each is taken.", DIM, indent=2)


def meaning_text(proposed: NextReading) -> str:
    """``above 1.60 V: C2 or R7; below: Q2 open``."""
    texts = [f"{_range(m, proposed)}: {' or '.join(m.points_to)}" for m in proposed.means]
    return "; ".join(reversed(texts))


def repair_text(page: Page, proofs: Sequence[RepairProof]) -> None:
    """Of every repair: what became of the fault, how sure that is, and the readings."""
    for proof in proofs:
        page.line(f"{proof.part} {proof.how}", STRONG, indent=2)
        page.line(proof.text, indent=2)
        before = dict(proof.priors)
        names = {"gone": "gone, the unit is good", "same": "still there as it was",
                 "another": "another fault remains"}
        page.table(
            ("", "now", "expected"),
            [(names[k], chance(getattr(proof, k)), chance(before[k])) for k in names],
            right=(1, 2), whole=(0, 1, 2), indent=4,
        )
        rows = [
            (x.reading, "" if x.before is None else amount(x.before, x.unit),
             amount(x.after, x.unit), amount(x.healthy, x.unit, x.reading))
            for x in proof.lines[:MOST_READINGS]
        ]
        page.table(("reading", "before", "after", "healthy"), rows, right=(1, 2, 3),
                   whole=(1, 2, 3), indent=4)
        rest = len(proof.lines) - MOST_READINGS
        if rest > 0:
            page.line(f"and {rest} readings more (all of them with --json)", DIM, indent=4)


def next_text(
    case: str, stage: str, proposed: Sequence[NextReading], width: int = WIDTH,
    colour: bool = False, cautions: Sequence[str] = (),
) -> str:
    """The text of ``diagnose next``.

    Parameters
    ----------
    proposed : sequence of NextReading
        The best for its effort first.
    width : int
        Columns.
    cautions : sequence of str
        Of the stage, the worst first.
    """
    page = Page(width, colour)
    page.line(case, STRONG)
    page.line(f"stage {stage}", DIM)
    cautions_text(page, cautions)
    if not proposed:
        page.line()
        page.line("No further reading would tell more than these do; check or replace the part "
                  "that `diagnose rank` puts first, then read again.")
        return page.text()
    if cautions:
        page.line()
    page.line("Readings to take next, the one that tells most for its effort first:")
    for number, item in enumerate(proposed, start=1):
        page.line()
        page.line(f"{number}. {item.reading}", STRONG)
        mind_text(page, item.caution, indent=3)
        page.line(f"{worth_text(item)}; {item.effort}", indent=3)
        if item.how:
            page.line(f"How: {item.how}", indent=3)
        page.line(sentence(healthy_text(item)), indent=3)
        page.table(
            (), [(_range(m, item), " or ".join(m.points_to), chance(m.probability))
                 for m in reversed(item.means)],
            whole=(0, 2), indent=3,
        )
    return page.text()


def _range(meaning: Meaning, item: NextReading) -> str:
    """The range of a meaning in words."""
    return span(meaning.low, meaning.high, meaning.unit, item.reading)

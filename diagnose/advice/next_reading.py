"""A reading worth taking next, as frozen data, and its JSON view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from circuits.cautions import caution_texts
from circuits.earths import all_roles
from circuits.prompt import few_lines
from diagnose.schema.documents import FORMAT, named_roles
from diagnose.sheet.case import Case

WORTH = (
    (0.71, "separates them well"),
    (0.28, "separates them fairly well"),
    (0.08, "separates them a little"),
)
"""From how many bits on a reading is called what. Of two causes that are equally likely, one that
names the right one 19 times in 20 tells 0.71 bit, 4 times in 5 0.28 bit, twice in 3 0.08 bit: one
less the entropy of the mistakes (Shannon's binary symmetric channel)."""
LITTLE = "hardly separates them"
"""What anything below is called."""


def worth(bits: float) -> str:
    """How well a reading is expected to part what is suspected, in plain words."""
    return next((words for least, words in WORTH if bits >= least), LITTLE)


@dataclass(frozen=True)
class Meaning:
    """What a reading to come would speak for if it fell in a range.

    Attributes
    ----------
    low, high : float or None
        Limits in the unit shown; None where the range is open.
    points_to : tuple of str
        The most probable answer first.
    probability : float
        Of these together, given such a value.
    """

    low: float | None
    high: float | None
    unit: str
    points_to: tuple[str, ...]
    probability: float


@dataclass(frozen=True)
class NextReading:
    """A reading worth taking next.

    Attributes
    ----------
    information : float
        Bits by which it is expected to narrow down what would be repaired.
    conditions : tuple of (word, value)
        Of the bench sheet.
    how : str
        How it is taken.
    means : tuple of Meaning
        By rising value.
    healthy : float or None
        What a good unit reads, in the unit shown; None where its meter shows nothing so high.
    """

    reading: str
    information: float
    effort: str
    caution: str
    conditions: tuple[tuple[str, Any], ...] = ()
    how: str = ""
    means: tuple[Meaning, ...] = ()
    healthy: float | None = None

    def __repr__(self) -> str:
        told = f"{self.information:.2f} bit for {self.effort}"
        return few_lines(f"NextReading {self.reading}", f"{told}: {self.how}", self.caution)


def next_json(proposed: NextReading) -> dict[str, Any]:
    """One entry of ``next``; a limit that is open is null, so is what a meter does not show."""
    return {
        "reading": dict(proposed.conditions), "label": proposed.reading,
        "information": proposed.information, "unit": "bit", "effort": proposed.effort,
        "how": proposed.how, "caution": proposed.caution, "healthy": proposed.healthy,
        "means": [
            {"low": m.low, "high": m.high, "unit": m.unit, "points to": list(m.points_to),
             "probability": m.probability}
            for m in proposed.means
        ],
    }


def next_document(case: Case, proposed: Sequence[NextReading]) -> dict[str, Any]:
    """The document of ``diagnose next --json``.

    Parameters
    ----------
    case : Case
        Whose readings these are the next of.
    proposed : sequence of NextReading
        The best for its effort first.
    """
    document = {
        "format": FORMAT, "stage": case.stage.name, "case": case.name,
        "cautions": list(caution_texts(case.stage)),
        "next": [next_json(n) for n in proposed],
    }
    return {**document, "roles": named_roles(all_roles(case.stage), document)}

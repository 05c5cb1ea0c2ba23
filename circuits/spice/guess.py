"""What a netlist does not say and somebody has to: a first guess, its reason and the question."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from circuits.errors import Place

OF_STAGE = "stage"
"""In place of a part's name, for what is guessed of the stage itself."""


@dataclass(frozen=True)
class Guess:
    """One guess.

    Attributes
    ----------
    of : str
        A part, or `OF_STAGE`.
    word : str
        What of it: ``kind``, ``polarity``, ``output`` …
    value : str
        The guess, in words.
    why : str
        What speaks for it.
    question : str
        What somebody who has the unit can answer.
    """

    of: str
    word: str
    value: str
    why: str
    question: str


@dataclass(frozen=True)
class Asked:
    """A value that a person may have meant otherwise: asked once, and read as SPICE does."""

    part: str
    written: str
    read: str
    why: str
    meant: str
    place: Place


def marks(guesses: Iterable[Guess]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Guesses as a stage file marks them: words by part, the stage itself first."""
    found: dict[str, list[str]] = {}
    for guess in sorted(guesses, key=lambda one: one.of != OF_STAGE):
        words = found.setdefault(guess.of, [])
        if guess.word not in words:
            words.append(guess.word)
    return tuple((of, tuple(words)) for of, words in found.items())

"""One reading as a card took it, and what is told of a take."""

from __future__ import annotations

from dataclasses import dataclass, field

from circuits.quantity import render
from circuits.reading import Reading
from diagnose.soundcard.card import Floats


@dataclass(frozen=True)
class Taken:
    """One reading that was taken.

    Attributes
    ----------
    asked : Reading
        As the sheet has it.
    reading : Reading
        With the load that the card was.
    value : float
        SI; dB as they are.
    bound : str
        ``<`` where the card sees no more.
    beside : pairs of (word, text)
        What the row of the sheet is to say besides.
    note : str
        Full scale and input of the card.
    """

    asked: Reading
    reading: Reading
    value: float
    bound: str = ""
    beside: tuple[tuple[str, str], ...] = ()
    note: str = ""

    def __repr__(self) -> str:
        return f"Taken {self.reading.label()}: {self.text()}"

    def text(self) -> str:
        """The value as a sheet has it."""
        return f"{self.bound} {render(self.value, self.reading.unit, 4)}".strip()


@dataclass(frozen=True, eq=False)
class Wave:
    """What a take heard, to be looked at.

    Attributes
    ----------
    samples : (n,) array
        The settled wave, fractions of full scale.
    rate : float
        Samples a second.
    tones : tuple of float
        What was played, Hz; none of a silence or a sweep.
    swept : bool
        Whether a sweep was played.
    full_scale : float
        V RMS at the unit's output of a sine that fills the card's input.
    """

    samples: Floats
    rate: float
    tones: tuple[float, ...]
    swept: bool
    full_scale: float


@dataclass
class Takes:
    """What was taken of one task, what to say of it, and what its last take heard."""

    readings: list[Taken] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    wave: Wave | None = None

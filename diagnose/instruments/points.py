"""Which points of a sheet a multimeter is to be put on, each named with what to mind there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from circuits.cautions import marked, reading_text
from circuits.errors import InputError
from circuits.hazards import hazards
from circuits.reading import Reading
from circuits.stage import GROUND, Stage
from diagnose.instruments.meter import FUNCTIONS
from diagnose.sheet.case import Case
from diagnose.sheet.putting import rows


@dataclass(frozen=True)
class Point:
    """One point, or two for a drop or a resistance.

    Attributes
    ----------
    where : str
        Where the leads go, in words: ``red lead on c1, Q1 collector; black lead on ground``.
    mark : str
        The shortest that must stand beside it, such as ``live, 290 V`` or ``power off``.
    caution : str
        The same in full; empty where there is nothing to mind.
    """

    reading: Reading
    where: str
    mark: str
    caution: str

    @property
    def off(self) -> bool:
        """Whether the unit must be off."""
        return "off" in self.reading.about.caution


def wanted(stage: Stage, readings: Iterable[Reading]) -> tuple[Point, ...]:
    """Those readings that a multimeter takes, as points."""
    about = hazards(stage)
    return tuple(
        Point(r, _where(stage, r), marked(about, r), reading_text(about, r))
        for r in readings if r.quantity in FUNCTIONS
    )


def proposed_points(stage: Stage, readings: Iterable[Reading]) -> tuple[Point, ...]:
    """The same of readings that are proposed: as a row says them, the meter being the sheet's."""
    return wanted(stage, [replace(reading, meter=0.0) for reading in readings])


def channel_of(case: Case, word: str) -> str:
    """Which channel of a sheet is read: the one that is named, else the one under suspicion.

    Raises
    ------
    InputError
        For one that the sheet does not have.
    """
    names = [name for name, _ in case.channels]
    if not names:
        if word:
            raise InputError("this sheet has one channel", expected="no --channel")
        return ""
    if word and word not in names:
        raise InputError(f"there is no channel {word!r}", choices=names, given=word)
    return word or case.suspect


def empty_points(text: str, stage: Stage, channel: str, name: str) -> tuple[Point, ...]:
    """The points of a sheet's rows that have no value yet, in their order.

    Parameters
    ----------
    text : str
        Of the sheet.
    channel : str
        Of a sheet of two channels, which.
    name : str
        Of the file, in messages.
    """
    return wanted(stage, [row.reading for row in rows(text, stage, channel, name)
                          if not row.value])


def _where(stage: Stage, reading: Reading) -> str:
    words = dict(stage.test_points)

    def node(name: str) -> str:
        if name == GROUND:
            return "ground"
        said = words.get(name, "")
        return f"{name}, {said}" if said and said != name else name

    if reading.between:
        red, black = (*reading.between, GROUND)[:2]
        return f"one lead on {node(red)}; the other on {node(black)}"
    return f"red lead on {node(reading.at)}; black lead on {node(reading.origin or GROUND)}"

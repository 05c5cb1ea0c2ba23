"""What a take asks for, one thing after another, and who answers.

A take is a generator: it yields what is to be played or done by hand, is sent what came of it, and
returns at its end. `alone` walks one at one side of a card; `abreast` walks that of either channel
at the same turn, and what both ask for alike is played and heard at once.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

from diagnose.soundcard.card import Card, Floats
from diagnose.soundcard.heard import TAILS, Heard, NotTaken, take_sides
from diagnose.soundcard.played import Played, on_sides

_T = TypeVar("_T")


@dataclass(frozen=True)
class Whole:
    """A take that is to be whole.

    Attributes
    ----------
    played : Played
    away : bool
        Whether the other side plays and hears it: what is sent is of there, and its `other` is
        what this side hears meanwhile.
    """

    played: Played
    away: bool = False


@dataclass(frozen=True)
class Raw:
    """A take as it comes, whole or not."""

    played: Played


@dataclass(frozen=True)
class Hand:
    """Something to be done by hand."""

    text: str


Flow: TypeAlias = Generator[Whole | Raw | Hand, Any, _T]
"""Asks, is sent a `Heard` of what is to be whole, samples, (n,), of what is raw, and of something
by hand whether it was done."""

Ask: TypeAlias = Callable[[str], bool]
"""Asks for something to be done by hand in the middle of a task; False where it is skipped."""


def whole(played: Played, away: bool = False) -> Flow[Heard]:
    """One step: a take that is whole."""
    heard: Heard = yield Whole(played, away)
    return heard


def raw(played: Played) -> Flow[Floats]:
    """One step: samples, (n,), as they come."""
    samples: Floats = yield Raw(played)
    return samples


def by_hand(text: str) -> Flow[bool]:
    """One step: whether something was done by hand."""
    done: bool = yield Hand(text)
    return done


def alone(flow: Flow[_T], card: Card, ask: Ask, mains: float, side: int = 0) -> _T:
    """What one flow comes to at one side of a card.

    Parameters
    ----------
    mains : float
        Hz.
    side : int
        0 for left, 1 for right.

    Raises
    ------
    NotTaken
        That the flow lets through.
    """
    outcome = _walk({side: flow}, card, ask, mains)[side]
    if isinstance(outcome, NotTaken):
        raise outcome
    return outcome


def abreast(
    left: Flow[_T], right: Flow[_T], card: Card, ask: Ask, mains: float
) -> tuple[_T | NotTaken, _T | NotTaken]:
    """What two flows come to, each at its side of a card; one that fails does not stop the other.

    Parameters
    ----------
    mains : float
        Hz.
    """
    made = _walk({0: left, 1: right}, card, ask, mains)
    return made[0], made[1]


def _walk(
    flows: Mapping[int, Flow[_T]], card: Card, ask: Ask, mains: float
) -> dict[int, _T | NotTaken]:
    outcomes: dict[int, _T | NotTaken] = {}
    answers: dict[int, Any] = dict.fromkeys(flows)
    try:
        while answers:
            asked: dict[int, Whole | Raw | Hand] = {}
            for side in tuple(answers):
                answer = answers.pop(side)
                try:
                    if isinstance(answer, NotTaken):
                        asked[side] = flows[side].throw(answer)
                    else:
                        asked[side] = flows[side].send(answer)
                except StopIteration as end:
                    outcomes[side] = end.value
                except NotTaken as error:
                    outcomes[side] = error
            answers = _answers(asked, card, ask, mains)
    finally:
        for flow in flows.values():
            flow.close()
    return outcomes


def _answers(
    asked: Mapping[int, Whole | Raw | Hand], card: Card, ask: Ask, mains: float
) -> dict[int, Any]:
    """Of each side what it asked for, or why not; takes of both sides at once where they fit."""
    waves = {side: one.played for side, one in asked.items()
             if isinstance(one, Whole) and not one.away}
    if len(waves) > 1 and waves[0].fits(waves[1]):
        return dict(take_sides(card, waves, mains))
    made: dict[int, Any] = {}
    for side, one in asked.items():
        match one:
            case Hand(text):
                made[side] = ask(text)
            case Raw(played):
                made[side] = card.play(on_sides({side: played}), TAILS[1]).samples[side]
            case Whole(played, away):
                driven = 1 - side if away else side
                made[side] = take_sides(card, {driven: played}, mains)[driven]
    return made

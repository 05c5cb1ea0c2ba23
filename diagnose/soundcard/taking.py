"""Readings taken by a card, a set-up of leads at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

from diagnose.soundcard import by_leads, by_signal, by_sweep
from diagnose.soundcard.asking import Ask, Flow, abreast, alone
from diagnose.soundcard.at_unit import LOUD_START, MIDDLE_HZ, START, AtUnit
from diagnose.soundcard.card import Card
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import Task
from diagnose.soundcard.rig import Rig
from diagnose.soundcard.taken import Taken, Takes

__all__ = ["LOUD_START", "MIDDLE_HZ", "START", "Ask", "Rig", "Taken", "Takes", "run", "run_both"]

_Kind: TypeAlias = Callable[[AtUnit, Task], Flow[None]]

_KINDS: Mapping[str, _Kind] = {
    "curve": by_signal.curve, "sine": by_signal.sine, "pair": by_signal.pair,
    "comb": by_signal.comb, "quiet": by_signal.quiet, "most": by_signal.most,
    "sweep": by_sweep.sweep, "loads": by_leads.loads, "series": by_leads.series,
}


def run(task: Task, card: Card, rig: Rig, ask: Ask, side: int = 0) -> Takes:
    """Take what one task wants.

    Parameters
    ----------
    rig : Rig
        Of that side of the card.
    ask : callable
        Asks for something to be done by hand in the middle of a task; False where it is skipped.
    side : int
        Of the card: 0 for left, 1 for right.

    Raises
    ------
    NotTaken
        Where no take was whole, the input is overloaded, or a level is not reached.
    """
    takes = Takes()
    flow = _KINDS[task.kind](AtUnit(card.rate, rig, takes), task)
    alone(flow, card, ask, rig.stage.mains, side)
    return takes


def run_both(
    left: Task, right: Task, card: Card, rigs: tuple[Rig, Rig], ask: Ask
) -> tuple[Takes, Takes]:
    """Take what a task wants of either channel, both at once where they play alike.

    Parameters
    ----------
    rigs : pair of Rig
        Of the left and the right side of the card.
    ask : callable
        As `run`.

    Raises
    ------
    NotTaken
        Where neither side was taken; where one was, the other's remarks say why it was not.
    """
    takes = Takes(), Takes()
    flows = [_KINDS[task.kind](AtUnit(card.rate, rig, one), task)
             for task, rig, one in zip((left, right), rigs, takes, strict=True)]
    outcomes = abreast(flows[0], flows[1], card, ask, rigs[0].stage.mains)
    failed = [one for one in outcomes if isinstance(one, NotTaken)]
    if len(failed) == len(outcomes):
        raise failed[0]
    for outcome, one in zip(outcomes, takes, strict=True):
        if isinstance(outcome, NotTaken):
            one.remarks.append(f"nothing was taken: {outcome}")
    return takes

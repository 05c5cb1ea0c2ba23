"""Readings taken by a card, a set-up of leads at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

from diagnose.soundcard import by_both, by_leads, by_signal, by_sweep
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
    "sweep": by_sweep.sweep, "loads": by_leads.loads, "across": by_both.across,
    "phase": by_both.phase, "series": by_leads.series,
}


def run(task: Task, card: Card, rig: Rig, ask: Ask, side: int = 0) -> Takes:
    """Take what one task wants.

    Parameters
    ----------
    rig : Rig
        Of the card, as its left side has it.
    ask : callable
        Asks for something to be done by hand in the middle of a task; False where it is skipped.
    side : int
        Of the card: 0 for left, 1 for right.

    Raises
    ------
    NotTaken
        Where no take was whole, the input is overloaded, or a level is not reached, before
        anything was read; what was read before is kept.
    """
    bench = _bench(card, rig, side)
    try:
        alone(_KINDS[task.kind](bench, task), card, ask, rig.stage.mains, side)
    except NotTaken as error:
        if not bench.takes.readings:
            raise
        bench.say(f"nothing more was taken: {error}")
    return bench.takes


def run_both(left: Task, right: Task, card: Card, rig: Rig, ask: Ask) -> tuple[Takes, Takes]:
    """Take what a task wants of either channel, both at once where they play alike.

    Parameters
    ----------
    rig, ask
        As `run`.

    Raises
    ------
    NotTaken
        Where neither side was taken; where one was, the other's remarks say why it was not.
    """
    benches = _bench(card, rig, 0), _bench(card, rig, 1)
    flows = [_KINDS[task.kind](bench, task)
             for task, bench in zip((left, right), benches, strict=True)]
    outcomes = abreast(flows[0], flows[1], card, ask, rig.stage.mains)
    failed = [one for one in outcomes if isinstance(one, NotTaken)]
    if len(failed) == len(outcomes) and not any(bench.takes.readings for bench in benches):
        raise failed[0]
    for outcome, bench in zip(outcomes, benches, strict=True):
        if isinstance(outcome, NotTaken):
            more = " more" if bench.takes.readings else ""
            bench.say(f"nothing{more} was taken: {outcome}")
    return benches[0].takes, benches[1].takes


def _bench(card: Card, rig: Rig, side: int) -> AtUnit:
    right = rig.right
    if side == 0:
        return AtUnit(card.rate, rig, Takes(), 0, right)
    if right is None:
        raise NotTaken("the right side of the card is not calibrated: diagnose take --calibrate "
                       "--both")
    return AtUnit(card.rate, right, Takes(), 1, rig)

"""A session at the bench, step by step: what to do with one's hands, then a take.

Each step waits until somebody says go; it may be skipped, or the one before it repeated. What was
taken is handed over at once, reading by reading, so that whoever stops loses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from circuits.errors import AmplifierError
from circuits.quantity import render
from circuits.signals.recording import CHANNELS
from circuits.state import OPEN
from diagnose.soundcard.card import Card
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.leads import connections, controls, still, treble
from diagnose.soundcard.plan import ORDER, Task, alike
from diagnose.soundcard.taking import Rig, Taken, Takes, run, run_both

GO, SKIP, AGAIN, STOP = "go", "skip", "again", "stop"
"""What may be said to a step."""
WORDS = (GO, SKIP, AGAIN, STOP)
_ALIKE = ("curve", "sweep", "sine", "pair", "comb", "most", "quiet")
"""Kinds of tasks that both channels can be taken by at once: no lead changes in the middle."""


@dataclass(frozen=True)
class Step:
    """One step.

    Attributes
    ----------
    text : str
        What to do, in one sentence or two.
    task : Task or None
        What is taken then; None where hands alone have to do something.
    side : int
        Of the card, at which it is taken: 0 for left, 1 for right.
    beside : Task or None
        What is taken of the right channel at the same time.
    """

    text: str
    task: Task | None = None
    side: int = 0
    beside: Task | None = None

    @property
    def takes(self) -> tuple[Task, ...]:
        """What is taken, of one channel or of both."""
        return tuple(one for one in (self.task, self.beside) if one is not None)

    def labels(self) -> tuple[str, ...]:
        """The readings that it takes; with their channels where it takes them of both."""
        return tuple(reading.label() + (f", {task.channel}" if self.beside else "")
                     for task in self.takes for reading in task.readings)


class Console(Protocol):
    """Whoever is at the bench."""

    def choose(self, step: Step, failed: bool) -> str:
        """One of `WORDS`, when the step is prepared; `failed` where its take was not whole."""

    def ask(self, text: str) -> bool:
        """Whether something was done by hand in the middle of a take."""

    def told(self, text: str) -> None:
        """A remark."""

    def heard(self, step: Step, takes: Sequence[Takes]) -> None:
        """What a step took, of one channel or of both, before its readings are handed over."""

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        """A reading, which is kept before this returns; `again` where its step was repeated."""


def steps(tasks: Sequence[Task], rig: Rig) -> tuple[Step, ...]:
    """The steps of a session.

    Where both sides of the card are calibrated and both channels are wanted, each channel has its
    side, and what both want alike is taken at once; else one channel after the other is taken by
    the left side.
    """
    channels = dict.fromkeys(task.channel for task in tasks)
    both = len(channels) == len(CHANNELS) or any(task.kind == "across" for task in tasks)
    if rig.right is not None and both:
        return _abreast(tasks, rig, _sides(tuple(channels)))
    made: list[Step] = []
    for k, channel in enumerate(channels):
        hands = (*connections(rig, channel, k > 0), *controls(rig.stage, k > 0))
        made += map(Step, hands)
        made += _taken(rig, [(task, None) for task in tasks if task.channel == channel])
    return tuple(made)


def _sides(channels: Sequence[str]) -> dict[str, int]:
    """At which side of the card each channel is: by its name, else the first one at the left."""
    if set(channels) <= set(CHANNELS):
        return {name: CHANNELS.index(name) for name in channels}
    return {name: k for k, name in enumerate(channels)}


def _abreast(tasks: Sequence[Task], rig: Rig, sides: Mapping[str, int]) -> tuple[Step, ...]:
    """The steps of two channels, each at its side of the card."""
    left, right = ([task for task in tasks if sides[task.channel] == k] for k in range(2))
    names = {k: name or "the channel of the sheet" for name, k in sides.items()}
    way = " and ".join(f"{names.get(k, 'the other channel')} to {side}"
                       for k, side in enumerate(CHANNELS))
    pairs: list[tuple[Task, Task | None]] = []
    for task in left:
        fits = next((one for one in right if alike(task, one)), None)
        if fits is None or not _at_once(task, rig):
            pairs.append((task, None))
            continue
        right.remove(fits)
        pairs.append((task, fits))
    pairs += [(task, None) for task in right]
    pairs.sort(key=lambda pair: ORDER.index(pair[0].kind))
    hands = (*connections(rig, "", False, way), *controls(rig.stage, False, True))
    return (*map(Step, hands), *_taken(rig, pairs, sides))


def _at_once(task: Task, rig: Rig) -> bool:
    """Whether both channels may be driven by a task at once.

    Not a power stage under drive: both channels together load the supply, and a sheet's readings
    are of one channel driven. Nor where leads change in the middle.
    """
    if task.kind not in _ALIKE:
        return False
    return not rig.loudspeaker or not any(r.about.kind == "drive" for r in task.readings)


def _taken(
    rig: Rig, pairs: Sequence[tuple[Task, Task | None]], sides: Mapping[str, int] | None = None
) -> list[Step]:
    """Takes, with what hands have to do before them; of two channels with a side each."""
    made: list[Step] = []
    quiet, load, abreast = None, 0.0, sides is not None
    for task, beside in pairs:
        first = task.readings[0]
        wanted = first.load or first.state.load
        ends = "both outputs" if abreast else "the output"
        if wanted != load and task.kind != "loads" and not rig.loudspeaker:
            made.append(Step(
                f"take the load off {ends} again" if wanted in (0.0, OPEN)
                else f"connect {render(wanted, 'ohm')} across {ends}, beside the card"))
            load = wanted
        if task.kind == "quiet" and quiet != first.state.input:
            quiet = first.state.input
            made.append(Step(still(rig.stage, quiet, abreast)))
        of = ""
        if abreast:
            one = f" of the {task.channel} channel" if task.channel else ""
            of = " of both channels at once" if beside else one
        side = sides[task.channel] if sides is not None else 0
        made.append(Step(f"take {task.label()}{of}{treble(task, rig)}", task, side, beside))
    return made


def session(
    made: Sequence[Step], card: Card, rig: Rig, console: Console,
    waits_for: tuple[type[AmplifierError], ...] = (NotTaken,),
) -> int:
    """Walk through the steps.

    Parameters
    ----------
    waits_for : tuple of types
        The errors of a take after which its step waits, to be taken again or skipped.

    Returns
    -------
    int
        How many readings were taken.
    """
    place, failed, count = 0, False, 0
    had: set[int] = set()
    while place < len(made):
        step = made[place]
        word = console.choose(step, failed)
        failed = False
        if word == STOP:
            break
        if word == AGAIN:
            place = max((k for k in range(place) if made[k].task), default=max(place - 1, 0))
            continue
        if word == GO and step.task is not None:
            try:
                found = _run(step, card, rig, console)
            except waits_for as error:
                console.told(f"nothing was taken: {error}")
                failed = True
                continue
            console.heard(step, found)
            for task, takes in zip(step.takes, found, strict=True):
                for taken in takes.readings:
                    console.took(taken, task.channel, place in had)
                    count += 1
                for text in takes.remarks or ([] if takes.readings else ["nothing was taken"]):
                    console.told(f"{task.channel}: {text}" if step.beside else text)
            had.add(place)
        place += 1
    return count


def _run(step: Step, card: Card, rig: Rig, console: Console) -> tuple[Takes, ...]:
    assert step.task is not None
    if step.beside is None:
        return (run(step.task, card, rig, console.ask, step.side),)
    return run_both(step.task, step.beside, card, rig, console.ask)

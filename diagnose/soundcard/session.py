"""A session at the bench, step by step: what to do with one's hands, then a take.

Each step waits until somebody says go; it may be skipped, or the one before it repeated. What was
taken is handed over at once, reading by reading, so that whoever stops loses nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from circuits.hazards import hazards
from circuits.quantity import render
from circuits.stage import Stage
from circuits.state import OPEN
from diagnose.soundcard.card import Card
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import Task
from diagnose.soundcard.taking import Rig, Taken, run

GO, SKIP, AGAIN, STOP = "go", "skip", "again", "stop"
"""What may be said to a step."""
WORDS = (GO, SKIP, AGAIN, STOP)


@dataclass(frozen=True)
class Step:
    """One step.

    Attributes
    ----------
    text : str
        What to do, in one sentence or two.
    task : Task or None
        What is taken then; None where hands alone have to do something.
    """

    text: str
    task: Task | None = None


class Console(Protocol):
    """Whoever is at the bench."""

    def choose(self, step: Step, failed: bool) -> str:
        """One of `WORDS`, when the step is prepared; `failed` where its take was not whole."""

    def ask(self, text: str) -> bool:
        """Whether something was done by hand in the middle of a take."""

    def told(self, text: str) -> None:
        """A remark."""

    def took(self, taken: Taken, channel: str) -> None:
        """A reading, which is kept before this returns."""


def steps(tasks: Sequence[Task], rig: Rig) -> tuple[Step, ...]:
    """The steps of a session."""
    made: list[Step] = []
    channel, quiet, load = "", None, 0.0
    for k, task in enumerate(tasks):
        if k == 0 or task.channel != channel:
            made += [*_connections(rig, task.channel, k > 0), *_controls(rig.stage, k > 0)]
            channel, quiet, load = task.channel, None, 0.0
        first = task.readings[0]
        wanted = first.load or first.state.load
        if wanted != load and task.kind != "loads" and not rig.loudspeaker:
            made.append(Step(
                "take the load off the output again" if wanted in (0.0, OPEN)
                else f"connect {render(wanted, 'ohm')} across the output, beside the card"))
            load = wanted
        if task.kind == "quiet" and quiet != first.state.input:
            quiet = first.state.input
            made.append(Step(_still(rig.stage, quiet)))
        made.append(Step(f"take {task.label()}", task))
    return tuple(made)


def _connections(rig: Rig, channel: str, swapped: bool) -> list[Step]:
    """How the card is connected to a channel."""
    of = f" of the {channel} channel" if channel else ""
    if swapped:
        return [Step(f"swap the leads: input and output{of} now")]
    made = []
    stage, own = rig.stage, rig.own
    if rig.loudspeaker:
        watts = max(hazards(stage).dummy_watts, _rated(rig))
        made.append(Step(
            "before the amplifier is connected: no loudspeaker on it, a load of "
            f"{render(stage.load, 'ohm')} that bears {render(watts, 'W')} in its place; of a "
            "bridged output neither pole may touch the earth of the card. The drive starts 40 dB "
            "below what is wanted"))
    if rig.before:
        text = rig.before.text()
        made.append(Step(
            f"between the output{of} and the left input of the card a divider: {text}; at the "
            f"rated {render(_volts(rig), 'V')} its upper resistor takes "
            f"{render(rig.before.watts, 'W')}"))
    else:
        made.append(Step(f"the output{of} to the left input of the card, "
                         f"which is {render(own.input_ohms, 'ohm')}, and nothing else"
                         + _direct(stage)))
    if rig.behind:
        made.append(Step(
            f"between the left output of the card and the input{of} a divider: "
            f"{rig.behind.text()}; it is a source of {render(rig.behind.ohms, 'ohm')}"))
    else:
        missing = stage.source_impedance - own.output_ohms
        series = (f", with {render(missing, 'ohm')} in series"
                  if missing > 0.02 * max(stage.source_impedance, own.output_ohms) else "")
        made.append(Step(f"the left output of the card to the input{of}{series}"))
    return made


def _direct(stage: Stage) -> str:
    """What to mind of direct voltage at an output."""
    volts = hazards(stage).output
    if not volts:
        return ""
    return (f". A fault can put {render(volts, 'V')} d.c. there: by way of a capacitor that bears "
            "it, unless the input of the card has one")


def _volts(rig: Rig) -> float:
    return rig.usual * rig.gain


def _rated(rig: Rig) -> float:
    return _volts(rig) ** 2 / rig.stage.load if rig.stage.load else 0.0


def _controls(stage: Stage, swapped: bool) -> list[Step]:
    """Controls as the stage is drawn, which is how it is simulated."""
    # a trimmer is none: what it sets stays as it was found
    told = [f"{part.role or part.name} ({part.name}) to {100.0 * part.position:.0f} % of its way"
            for part in stage.parts if part.kind == "potentiometer"]
    if not told:
        return []
    also = " of this channel as well" if swapped else ""
    return [Step(f"turn the {', the '.join(told)}{also}")]


def _still(stage: Stage, state: str) -> str:
    if state == "shorted":
        return "short the input now: take the lead off it, and join its pins"
    if state == "open":
        return "leave the input open now: take the lead off it"
    ohms = stage.source_impedance
    if not ohms:
        return "short the input now: take the lead off it, and join its pins"
    return (f"terminate the input now: take the lead off it, and put {render(ohms, 'ohm')} across "
            "its pins, screened")


def session(made: Sequence[Step], card: Card, rig: Rig, console: Console) -> int:
    """Walk through the steps.

    Returns
    -------
    int
        How many readings were taken.
    """
    place, failed, count = 0, False, 0
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
                takes = run(step.task, card, rig, console.ask)
            except NotTaken as error:
                console.told(f"nothing was taken: {error}")
                failed = True
                continue
            for taken in takes.readings:
                console.took(taken, step.task.channel)
                count += 1
            for text in takes.remarks or ([] if takes.readings else ["nothing was taken"]):
                console.told(text)
        place += 1
    return count

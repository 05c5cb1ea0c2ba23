"""What hands have to do before a take: leads, dividers, loads, controls, inputs that are quiet."""

from __future__ import annotations

import math

from circuits.hazards import hazards
from circuits.quantity import render
from circuits.stage import Stage
from diagnose.sheet.states import loaded_with
from diagnose.soundcard.plan import Task
from diagnose.soundcard.rig import Rig
from diagnose.stimulus.minding import ZOBEL_FARADS, ZOBEL_OHMS, zobel_watts

_WARM = 0.25
"""W in the resistor of a Zobel network from which that is told: all that many are made for
(judgement)."""


def connections(rig: Rig, channel: str, swapped: bool, both: str = "") -> list[str]:
    """How the card is connected to a channel, or with a side each to both.

    Parameters
    ----------
    channel : str
        Empty where there is one, or where both are connected.
    swapped : bool
        Whether the other channel was connected before.
    both : str
        Where both are connected, which to which side: ``left to left and right to right``.
    """
    of = f" of the {channel} channel" if channel else " of each channel" if both else ""
    if swapped:
        return [f"swap the leads: input and output{of} now"]
    made = []
    stage, own = rig.stage, rig.own
    plug = "the left input of the card"
    if both:
        plug = f"the input of the card of its side, {both}"
    if rig.loudspeaker:
        watts = max(hazards(stage).dummy_watts, _rated(rig))
        made.append(
            f"before the amplifier is connected: no loudspeaker on it, a load of "
            f"{render(stage.load, 'ohm')} that bears {render(watts, 'W')} in its place"
            f"{' at each channel' if both else ''}; of a bridged output neither pole may touch "
            "the earth of the card. The drive starts 40 dB below what is wanted")
    if rig.before:
        text = rig.before.text()
        made.append(
            f"between the output{of} and {plug} a divider{' each' if both else ''}: {text}; at "
            f"the rated {render(_volts(rig), 'V')} its upper resistor takes "
            f"{render(rig.before.watts, 'W')}")
    else:
        made.append(f"the output{of} to {plug}, which is {render(own.input_ohms, 'ohm')}, and "
                    f"nothing else{_direct(stage)}")
    jack = "the output of the card of its side" if both else "the left output of the card"
    if rig.behind:
        made.append(
            f"between {jack} and the input{of} a divider{' each' if both else ''}: "
            f"{rig.behind.text()}; it is a source of {render(rig.behind.ohms, 'ohm')}")
    else:
        missing = stage.source_impedance - own.output_ohms
        series = (f", with {render(missing, 'ohm')} in series"
                  if missing > 0.02 * max(stage.source_impedance, own.output_ohms) else "")
        made.append(f"{jack} to the input{of}{series}")
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


def controls(stage: Stage, swapped: bool, both: bool = False) -> list[str]:
    """Controls as the stage is drawn, which is how it is simulated."""
    # a trimmer is none: what it sets stays as it was found
    told = [f"{part.role or part.name} ({part.name}) to {100.0 * part.position:.0f} % of its way"
            for part in stage.parts if part.kind == "potentiometer"]
    if not told:
        return []
    also = " of this channel as well" if swapped else " of both channels" if both else ""
    return [f"turn the {', the '.join(told)}{also}"]


def treble(task: Task, rig: Rig) -> str:
    """What to mind of treble at power while a task is taken; empty for nothing.

    The resistor of a Zobel network takes it, V²·R / (R² + 1/(2πfC)²) of the usual one.
    """
    if not rig.loudspeaker:
        return ""
    worst = 0.0, 0.0
    for reading in task.readings:
        if reading.about.kind != "drive":
            continue
        kind, value = reading.level or ("power", _rated(rig))
        volts = value * rig.gain if kind == "input level" else value
        if kind == "power":
            volts = math.sqrt(value * loaded_with(reading, rig.stage))
        highest = max(reading.frequency, *reading.tones, 0.0)
        if highest:
            worst = max(worst, (zobel_watts(highest, volts), highest))
    watts, at = worst
    if watts < _WARM:
        return ""
    return (f". At {render(at, 'Hz')} the resistor of a Zobel network ({render(ZOBEL_OHMS, 'ohm')} "
            f"and {render(ZOBEL_FARADS, 'F')}) takes {render(watts, 'W', 2)} meanwhile: let it "
            "cool before a take is repeated")


def still(stage: Stage, state: str, both: bool = False) -> str:
    """How an input is made quiet.

    Parameters
    ----------
    state : str
        ``shorted``, ``open``, or empty for terminated as the stage is.
    """
    name, lead, its = (("both inputs", "the leads off them", "their") if both else
                       ("the input", "the lead off it", "its"))
    ohms = stage.source_impedance
    if state == "open":
        return f"leave {name} open now: take {lead}"
    if state == "shorted" or not ohms:
        return f"short {name} now: take {lead}, and join {its} pins"
    return (f"terminate {name} now: take {lead}, and put {render(ohms, 'ohm')} across {its} pins"
            f"{', one each' if both else ''}, screened")

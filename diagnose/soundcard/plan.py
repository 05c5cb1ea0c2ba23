"""Which readings a card can take, in which steps: what is one set-up of leads is taken together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from circuits.quantities import CROSSTALK, QUANTITIES
from circuits.reading import Reading
from circuits.signals.sweep import FIRST
from circuits.signals.swept import LEAST_HARMONIC_HZ
from circuits.stage import Stage
from circuits.state import AS_DRAWN, State

QUIET = ("noise", "hum")
"""Quantities read without a signal."""
_TAKES: Mapping[str, tuple[str, ...]] = {
    "curve": ("gain", "response", "riaa deviation"),  # many tones at once
    "sine": ("thd", "harmonic", "thd+n"),  # one tone at a stated level
    "pair": ("imd",), "comb": ("many-tone floor",),
    "series": ("input impedance",),  # a resistor in series with the input
    "loads": ("output impedance", "damping factor"),  # two loads
    "most": ("maximum output",),  # a tone that grows
    "across": (CROSSTALK,),  # one channel driven, the other listened to
    "phase": ("phase",),  # the generator in the other input
    "quiet": QUIET,
}
"""The quantities of each kind of task, in the order in which they follow: the signal first, then
what changes the leads."""
BENT = ("thd", "harmonic")
"""Quantities of one tone that a sweep tells as well."""
LEAST_SWEPT_HZ = 2.0 * FIRST
"""Hz from which a sweep reads a response."""
_MANY = {"curve": 16, "sine": 3}
"""Frequencies from which one sweep is quicker or clearer than tones: of a response, where tones at
once share what the output gives, and of distortion, where each would be a take of its own."""
ORDER = ("curve", "sweep", "sine", "pair", "comb", "most", "across", "series", "loads",
          "phase", "quiet")
"""Kinds of tasks in the order in which they follow."""
_DISTORTED = ("thd", "harmonic", "thd+n", "maximum output")
"""Quantities whose harmonics must lie in the band."""
_OTHERWISE = {
    "dc voltage": "a voltmeter", "supply current": "a voltmeter", "resistance": "an ohmmeter",
    "ripple": "a scope or a meter: no lead of a card belongs on a rail",
    "rise time": "a scope", "overshoot": "a scope",
    "slew rate": "a scope", "tilt": "a scope: a card is coupled by capacitors itself",
    "channel balance": "nothing: it follows from the gain of both channels",
    "snr": "nothing: it follows from noise and output",
}
"""What else takes a quantity."""
_TOP = 0.45
"""Of the rate: the highest frequency that a card plays and records as it is."""


@dataclass(frozen=True)
class Asked:
    """A reading that the sheet or the advice asks for."""

    reading: Reading
    channel: str = ""


@dataclass(frozen=True)
class Task:
    """What is taken together.

    Attributes
    ----------
    kind : str
        ``curve``, ``sweep``, ``sine``, ``pair``, ``comb``, ``most``, ``across``, ``series``,
        ``loads``, ``phase`` or ``quiet``.
    readings : tuple of Reading
    channel : str
    """

    kind: str
    readings: tuple[Reading, ...]
    channel: str = ""

    def label(self) -> str:
        """What it takes, in few words."""
        names = dict.fromkeys(reading.quantity for reading in self.readings)
        if len(self.readings) == 1:
            return self.readings[0].label()
        return f"{', '.join(names)} ({len(self.readings)} readings)"


def tasks(
    asked: Sequence[Asked], stage: Stage, rate: float, both: bool = False
) -> tuple[Task, ...]:
    """Readings in the order in which they are taken: channel by channel, one set-up at a time.

    Parameters
    ----------
    asked : sequence of Asked
        Those that a card cannot take are left out.
    both : bool
        As `cannot`.
    """
    made: list[Task] = []
    for channel in dict.fromkeys(a.channel for a in asked):
        here = [a.reading for a in asked if a.channel == channel
                and not cannot(a.reading, stage, rate, both)]
        groups: dict[tuple[object, ...], list[Reading]] = {}
        for reading in dict.fromkeys(here):
            groups.setdefault(_together(reading), []).append(reading)
        groups = _swept(groups)
        order = sorted(groups.items(), key=lambda group: ORDER.index(str(group[0][0])))
        made += [Task(str(key[0]), tuple(of), channel) for key, of in order]
    return tuple(made)



def _swept(
    groups: dict[tuple[object, ...], list[Reading]]
) -> dict[tuple[object, ...], list[Reading]]:
    """The groups, with what one sweep tells at many frequencies taken out of theirs."""
    made: dict[tuple[object, ...], list[Reading]] = {}
    along: dict[tuple[object, ...], list[Reading]] = {}
    for key, readings in groups.items():
        for reading in readings:
            # of one tone, whatever its frequency: state and level
            where = (key[0], key[1], key[-1] if key[0] == "sine" else None)
            if _sweeps(str(key[0]), reading):
                along.setdefault(where, []).append(reading)
    gone: set[Reading] = set()
    for (kind, *further), readings in along.items():
        if len({r.frequency for r in readings}) >= _MANY[str(kind)]:
            made["sweep", kind, *further] = readings
            gone.update(readings)
    for key, readings in groups.items():
        left = [r for r in readings if r not in gone]
        if left:
            made[key] = left
    return made


def _sweeps(kind: str, reading: Reading) -> bool:
    """Whether a sweep tells a reading as well as tones do."""
    if kind == "sine":
        return reading.quantity in BENT and reading.frequency >= LEAST_HARMONIC_HZ
    places = (reading.frequency, reading.reference or reading.frequency)
    return kind == "curve" and min(places) >= LEAST_SWEPT_HZ


def _together(reading: Reading) -> tuple[object, ...]:
    """What readings of one take have in common."""
    state = (reading.load, reading.state)
    kind = next(kind for kind, names in _TAKES.items() if reading.quantity in names)
    if kind in ("sine", "comb"):
        return kind, state, reading.frequency, reading.level
    if kind in ("pair", "most"):
        return kind, state, reading
    return (kind, state, reading.frequency) if kind in ("series", "loads") else (kind, state)


def alike(left: Task, right: Task) -> bool:
    """Whether what two channels want is one set-up: the same kind at the same level and state."""
    keys = (_together(left.readings[0]), _together(right.readings[0]))
    return left.kind == right.kind and keys[0] == keys[1]


def cannot(reading: Reading, stage: Stage, rate: float, both: bool = False) -> str:
    """Why a card cannot take a reading; empty where it can.

    Parameters
    ----------
    rate : float
        Samples a second.
    both : bool
        Whether both sides of the card are calibrated.
    """
    if reading.quantity == CROSSTALK and not both:
        return ("takes both sides of the card, calibrated (diagnose take --calibrate --both), or "
                "a recording of both channels: diagnose measure")
    if reading.quantity in _OTHERWISE:
        return f"takes {_OTHERWISE[reading.quantity]}"
    if any(point and point != stage.output for point in (reading.at, reading.origin)):
        return "at a point inside: takes a probe, and a meter or a scope"
    if _without_ends(reading.state) != AS_DRAWN:
        return f"in another state of the unit ({reading.state.text()})"
    if reading.level is not None and reading.quantity in QUIET:
        return "beside a signal: diagnose measure reads it from a recording"
    highest = max(reading.frequency, reading.reference, *reading.tones, 0.0)
    harmonics = max(reading.order, 2) if reading.quantity in _DISTORTED else 1
    if highest * harmonics > _TOP * rate:
        return f"beyond what {rate:g} samples a second hold"
    if reading.quantity not in QUANTITIES or not stage.output:
        return "of no unit"
    return ""


def _without_ends(state: State) -> State:
    """A state without what is done at the ends of the unit, which a step can ask for."""
    return replace(state, input="", load=0.0)

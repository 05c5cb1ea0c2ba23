"""What a sheet asks a card for: the readings, the rig that takes them, the steps, what is left.

The command and the page begin here, and put what was taken into the text of the sheet alike.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits import yamlfile
from circuits.hazards import hazards
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.sheet import entry as sheet_entry
from diagnose.sheet.case import Case
from diagnose.sheet.proposal import on_sheet
from diagnose.sheet.putting import put, rows
from diagnose.soundcard.calibration import Calibration
from diagnose.soundcard.divider import before_input, behind_output
from diagnose.soundcard.plan import Asked, cannot, tasks
from diagnose.soundcard.session import Step, steps
from diagnose.soundcard.taking import MIDDLE_HZ, Rig, Taken
from diagnose.studies.good_readings import good_readings
from faultlib.good_unit import Figure
from faultlib.signature import Stepwise
from faultlib.simulate import Bench, Variant

Conditions = Sequence[tuple[str, Any]]
"""A reading as the advice has it: names and values of its conditions."""
_DEAD = 1e-3
"""Gain of a stage that has none worth the name, a ratio: what is driven then is told by its usual
drive alone."""


@dataclass(frozen=True)
class Prepared:
    """A session before its first step.

    Attributes
    ----------
    asked : tuple of Asked
        Those that a card can take.
    left : tuple of (reading, channel, why)
        Those that are left to other instruments.
    """

    asked: tuple[Asked, ...]
    rig: Rig
    steps: tuple[Step, ...]
    left: tuple[tuple[Reading, str, str], ...]

    @property
    def takes(self) -> bool:
        """Whether there is anything for the card to do."""
        return any(step.task for step in self.steps)

    def loaded(self) -> tuple[Reading, ...]:
        """What is taken, each reading with the load that the card is."""
        return tuple(self.rig.taken(one.reading)[0] for one in self.asked)


def prepared(
    text: str, case: Case, own: Calibration, bench: Bench,
    proposed: Sequence[Conditions] | None = None,
) -> Prepared:
    """The steps of a session.

    Parameters
    ----------
    text : str
        Of the sheet.
    case : Case
        What it says.
    own : Calibration
        Of the card.
    proposed : sequence of conditions, optional
        As `wanted`.
    """
    asked = wanted(text, case, bench, proposed)
    rig = rig_of(case.stage, asked, own, bench)
    both = own.right is not None
    made = steps(tasks(asked, case.stage, own.rate, both), rig)
    whys = [(a, cannot(a.reading, case.stage, own.rate, both)) for a in asked]
    return Prepared(tuple(a for a, why in whys if not why), rig, made,
                    tuple((a.reading, a.channel, why) for a, why in whys if why))


def wanted(
    text: str, case: Case, bench: Bench, proposed: Sequence[Conditions] | None = None
) -> list[Asked]:
    """What a sheet asks for: its empty rows, else what a blank one has.

    Parameters
    ----------
    proposed : sequence of conditions, optional
        What the advice on the sheet proposes, which is asked for in place of that.
    """
    if proposed is not None:
        return [Asked(reading_of(conditions, case.stage), case.suspect) for conditions in proposed]
    names = [name for name, _ in case.channels] or [""]
    asked = [Asked(row.reading, channel) for channel in names
             for row in rows(text, case.stage, channel) if not row.value]
    if any(not cannot(a.reading, case.stage, np.inf, True) for a in asked):
        return asked
    there = {(channel, row.reading.key()) for channel in names
             for row in rows(text, case.stage, channel)}
    proposed_rows = [reading for reading, _ in on_sheet(case.stage, bench)]
    return asked + [Asked(reading, channel) for channel in names for reading in proposed_rows
                    if (channel, reading.key()) not in there]


def reading_of(conditions: Conditions, stage: Stage) -> Reading:
    """A reading of the words that the advice has it in."""
    node = yamlfile.tree(json.dumps(dict(conditions), ensure_ascii=False), "the advice")
    mapping, name = sheet_entry.quantity_of(node, "a reading")
    return sheet_entry.conditions(mapping, name, stage)


def rig_of(stage: Stage, asked: Sequence[Asked], own: Calibration, bench: Bench) -> Rig:
    """How a card is connected to a stage: dividers for the rated output and the usual drive."""
    gain = _gain(stage, bench)
    plain = Rig(own, stage, gain)
    behind = behind_output(plain.usual, own.plays, own.output_ohms, stage.source_impedance)
    most = plain.usual
    for reading in (a.reading for a in asked):
        if reading.level is not None:
            kind, value = reading.level
            if kind == "power":
                value = float(np.sqrt(value * (reading.load or stage.load)))
            most = max(most, value if kind == "input level" else value / gain)
    return Rig(own, stage, gain, behind, before_input(
        most * gain, own.records, own.input_ohms, hazards(stage).output))


def _gain(stage: Stage, bench: Bench) -> float:
    reading = Reading("gain", frequency=MIDDLE_HZ)
    found = bench.values(stage, [Variant()], [reading]).values[0, 0]
    if not np.isfinite(found):
        return 1.0
    return float(max(10.0 ** (from_compared(reading, float(found)) / 20.0), _DEAD))


def good(
    made: Prepared, bench: Bench, progress: Stepwise | None = None
) -> Mapping[Reading, Figure]:
    """What good units read, loaded by the card."""
    asked = made.loaded()
    found = good_readings(made.rig.stage, asked, bench, progress)
    return {r: figure for r, figure in zip(asked, found, strict=True) if figure is not None}


def in_its_row(text: str, stage: Stage, one: Taken, channel: str) -> str:
    """The text of a sheet with a reading in the row that asked for it.

    Parameters
    ----------
    channel : str
        Of a sheet of two channels, which; else empty.

    Raises
    ------
    InputError
        As `diagnose.sheet.putting.put`.
    """
    there = {row.reading.key() for row in rows(text, stage, channel)}
    # the second time the row says the load as well
    again = one.reading.key() in there
    return put(text, stage, one.reading if again else one.asked, one.text(), channel, True,
               () if again else one.beside, one.note)

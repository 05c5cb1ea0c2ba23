"""The command ``diagnose take``: readings by a sound card, straight into a sheet."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from circuits import yamlfile
from circuits.cautions import caution_texts
from circuits.errors import InputError
from circuits.hazards import hazards
from circuits.quantity import parse
from circuits.reading import Reading, from_compared, shown
from circuits.stage import Stage
from diagnose.answer.verdict import verdict
from diagnose.cli.commands import View
from diagnose.cli.console_take import Bench as Console
from diagnose.schema.documents import FORMAT
from diagnose.sheet import entry as sheet_entry
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.proposal import on_sheet
from diagnose.sheet.putting import load_sheet, put_and_save, rows
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibration import (
    LINE_OHMS,
    TONE_HZ,
    TONE_PEAK,
    Calibration,
    keep,
    kept,
    measure_own,
)
from diagnose.soundcard.card import Card
from diagnose.soundcard.divider import before_input, behind_output
from diagnose.soundcard.plan import Asked, cannot, tasks
from diagnose.soundcard.session import Step, session, steps
from diagnose.soundcard.taking import MIDDLE_HZ, Rig, Taken
from diagnose.studies.good_readings import good_readings
from faultlib.good_unit import Figure
from faultlib.signature import Stepwise
from faultlib.simulate import Bench, Variant

_USUAL = Calibration("no card", "", 48e3, 2.0, 2.0, 100.0, LINE_OHMS)
"""What a list is made with where no card is calibrated: 2 V at 100 ohm out, 2 V at 10 kohm in
(common practice)."""
_DEAD = 1e-3
"""Gain of a stage that has none worth the name, a ratio: what is driven then is told by its usual
drive alone."""


def devices_text() -> str:
    """The devices of this machine and what is known of them."""
    lines = []
    for one in portaudio.devices():
        ways = [f"{count} {word}" for count, word in ((one.inputs, "in"), (one.outputs, "out"))
                if count]
        own = kept(one.name)
        lines.append(f"{one.index:3}  {one.name} ({', '.join(ways) or 'nothing'})"
                     + (f"; calibrated {own.dated}" if own else ""))
    return "\n".join(lines or ["this machine has no sound device"]) + "\n"


def calibrated(values: Namespace) -> View:
    """Calibrate a card and keep what was found.

    Parameters
    ----------
    values : Namespace
        `device`, `input`, `rate`, `open_volts`, `loop_volts`, `input_ohms`.
    """
    card = opened(values)
    console = Console(None, 0.0, 50.0, lambda taken, channel: "")
    word = values.input_ohms or console.typed(
        "the ohms of the card's input: 10 kohm for a line input, 1 Mohm for an instrument's")
    ohms = parse(word, "ohm")
    count = round(card.rate)
    tone = TONE_PEAK * np.sin(2.0 * np.pi * TONE_HZ * np.arange(count) / card.rate)
    said = []
    for given, text in (
        (values.open_volts, "a meter on a.c. volts to the left output of the card, nothing else: "
         "a tone of 1 kHz plays; type what the meter shows, such as 0.632 V"),
        (values.loop_volts, "now a cable from the left output to the left input as well, the meter "
         "still there: type what it shows"),
    ):
        if given:
            said.append(parse(given, "V"))
            continue
        with card.sounding(tone):
            said.append(parse(console.typed(text), "V"))
    sys.stderr.write("taking the card's own response, distortion and noise\n")
    made = measure_own(card, said[0], said[1], ohms)
    path = keep(made)
    return View(lambda: _document(made), lambda width, colour: f"{made.text()}\nkept in {path}\n")


def _document(made: Calibration) -> dict[str, Any]:
    return {
        "format": FORMAT, "device": made.device, "date": made.dated, "rate": made.rate,
        "full scale out": made.plays, "full scale in": made.records,
        "output impedance": made.output_ohms, "input impedance": made.input_ohms,
        "response": [list(pair) for pair in made.response],
        "harmonics": [list(pair) for pair in made.harmonics],
        "noise": [{"weighting": word, "value": x} for word, x in made.noise.items()],
        "hum": [list(pair) for pair in made.hum],
    }


def opened(values: Namespace) -> Card:
    """The card that is wanted.

    Parameters
    ----------
    values : Namespace
        `device`, `input` and `rate`.
    """
    return portaudio.card(values.device, values.input, values.rate)


def prepared(
    values: Namespace, bench: Bench, progress: Stepwise | None = None
) -> Callable[[], View]:
    """What takes readings into a sheet, or lists what would be taken; all is simulated by then.

    Parameters
    ----------
    values : Namespace
        With `case`, `list`, `next`, `yes` and what `opened` wants.
    """
    path: Path = values.case
    text, case = load_sheet(path)
    asked = wanted(text, case, values.next, bench, progress)
    own = _own(values, values.list)
    card = None if values.list else opened(values)
    rig = rig_of(case.stage, asked, own, bench)
    made = steps(tasks(asked, case.stage, own.rate), rig)
    left = [(a.reading, a.channel, why) for a in asked
            if (why := cannot(a.reading, case.stage, own.rate))]
    if values.list or not any(step.task for step in made):
        return lambda: _listed(case, made, left, own)
    good = _good(case.stage, [a.reading for a in asked if not cannot(a.reading, case.stage,
                                                                     own.rate)], rig, bench,
                 progress)
    assert card is not None
    return lambda: _taken(path, case, made, card, rig, good, not values.yes)


def _taken(
    path: Path, case: Case, made: Sequence[Step], card: Card, rig: Rig,
    good: Mapping[Reading, Figure], waits: bool,
) -> View:
    """The session itself."""
    own, kept_readings = rig.own, list[tuple[Taken, str]]()

    def took(one: Taken, channel: str) -> str:
        from diagnose.show.text_take import taken_text

        here = write(path, one, channel)
        kept_readings.append((one, channel))
        # a published figure that states no load is held against the card's as well
        measured = Measured(one.asked, one.value, bound=one.bound)
        return taken_text(one, channel, good.get(one.reading), verdict(here.limits, [measured]))

    console = Console(card, rig.full_scale, case.stage.mains, took, waits)
    for remark in (*own.remarks(), *caution_texts(case.stage)):
        sys.stderr.write(f"  ! {remark}\n")
    try:
        session(made, card, rig, console)
    except KeyboardInterrupt:
        sys.stderr.write(f"\n{_count(kept_readings)} in {path}, and kept\n")
        raise
    return View(
        lambda: _taken_document(case, path, own, kept_readings),
        lambda width, colour: f"{_count(kept_readings)} in {path}; rank it with: "
        f"diagnose rank {path}\n",
    )


def _count(readings: Sequence[object]) -> str:
    return f"{len(readings)} reading{'s' * (len(readings) != 1)}"


def write(path: Path, one: Taken, channel: str) -> Case:
    """A reading into the file of its sheet, in the row that asked for it."""
    text, case = load_sheet(path)
    channel = channel if case.channels else ""
    there = {row.reading.key() for row in rows(text, case.stage, channel)}
    # the second time the row says the load as well
    again = one.reading.key() in there
    return put_and_save(path, one.reading if again else one.asked, one.text(), channel, True,
                        () if again else one.beside, one.note)


def wanted(
    text: str, case: Case, by_advice: bool, bench: Bench, progress: Stepwise | None = None
) -> list[Asked]:
    """What a sheet, or the advice on it, asks for: its empty rows, else what a blank one has."""
    names = [name for name, _ in case.channels] or [""]
    if by_advice:
        from diagnose.door.answers import next_readings

        proposed = next_readings(case, None, False, bench, progress)
        return [Asked(_reading(item.conditions, case.stage), case.suspect) for item in proposed]
    asked = [Asked(row.reading, channel) for channel in names
             for row in rows(text, case.stage, channel) if not row.value]
    if any(not cannot(a.reading, case.stage, np.inf) for a in asked):
        return asked
    there = {(channel, row.reading.key()) for channel in names
             for row in rows(text, case.stage, channel)}
    proposed_rows = [reading for reading, _ in on_sheet(case.stage, bench)]
    return asked + [Asked(reading, channel) for channel in names for reading in proposed_rows
                    if (channel, reading.key()) not in there]


def _reading(conditions: Sequence[tuple[str, Any]], stage: Stage) -> Reading:
    """A reading of the words that the advice has it in."""
    node = yamlfile.tree(json.dumps(dict(conditions), ensure_ascii=False), "the advice")
    mapping, name = sheet_entry.quantity_of(node, "a reading")
    return sheet_entry.conditions(mapping, name, stage)


def _own(values: Namespace, listing: bool) -> Calibration:
    """The calibration of the card; to list, without a card, that of a usual one."""
    try:
        name = opened(values).name
    except InputError:
        if not listing or values.device or values.input:
            raise
        return replace(_USUAL, rate=values.rate)
    own = kept(name)
    if own is None and listing:
        return replace(_USUAL, device=name, rate=values.rate)
    if own is None:
        raise InputError(f"the card {name} is not calibrated yet",
                         expected="once, a meter and a cable: diagnose take --calibrate")
    return own


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


def _good(
    stage: Stage, readings: Sequence[Reading], rig: Rig, bench: Bench, progress: Stepwise | None
) -> dict[Reading, Figure]:
    """What good units read, loaded by the card."""
    asked = [rig.taken(reading)[0] for reading in readings]
    found = good_readings(stage, asked, bench, progress)
    return {r: figure for r, figure in zip(asked, found, strict=True) if figure is not None}


def _listed(
    case: Case, made: Sequence[Step], left: Sequence[tuple[Reading, str, str]], own: Calibration
) -> View:
    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_take import wanted_text

        return wanted_text(made, left, own.text(), width, colour)

    def document() -> dict[str, Any]:
        return {
            "format": FORMAT, "stage": case.stage.name, "case": case.name,
            "steps": [{"text": step.text, "takes": [r.label() for r in step.task.readings]
                       if step.task else []} for step in made],
            "left": [{"reading": reading.label(), "channel": channel, "why": why}
                     for reading, channel, why in left],
        }

    return View(document, text)


def _taken_document(
    case: Case, path: Path, own: Calibration, readings: Sequence[tuple[Taken, str]]
) -> dict[str, Any]:
    return {
        "format": FORMAT, "stage": case.stage.name, "case": case.name, "sheet": str(path),
        "device": own.device, "calibrated": own.dated,
        "taken": [
            {"reading": one.reading.label(), "channel": channel, "bound": one.bound,
             "value": shown(one.reading, one.value), "unit": one.reading.unit}
            for one, channel in readings
        ],
    }


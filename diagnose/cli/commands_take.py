"""The command ``diagnose take``: readings by a sound card, straight into a sheet."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from circuits.cautions import caution_texts
from circuits.errors import InputError
from circuits.quantity import parse
from circuits.reading import Reading, shown
from circuits.signals.recording import CHANNELS
from diagnose.answer.verdict import verdict
from diagnose.cli.commands import View
from diagnose.cli.console_take import Bench as Console
from diagnose.schema.documents import FORMAT
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.putting import load_sheet, save
from diagnose.soundcard import asked, portaudio
from diagnose.soundcard.calibrating import OHMS_ASKED, measured_by, tone_at, volts_asked
from diagnose.soundcard.calibration import USUAL, Calibration, keep, kept
from diagnose.soundcard.card import Card
from diagnose.soundcard.meanwhile import Meanwhile, stays
from diagnose.soundcard.session import Step, session
from diagnose.soundcard.taking import Rig, Taken
from faultlib.good_unit import Figure
from faultlib.signature import Stepwise
from faultlib.simulate import Bench


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
        `device`, `input`, `rate`, `both`, `open_volts`, `loop_volts`, `input_ohms`; the volts of
        both sides with a comma between.
    """
    sides = CHANNELS if values.both else CHANNELS[:1]
    given = [_volts_of(text, len(sides), word) for text, word in
             ((values.open_volts, "--open-volts"), (values.loop_volts, "--loop-volts"))]
    card = opened(values)
    console = Console(None, 0.0, 50.0, lambda taken, channel, again: "")
    ohms = parse(values.input_ohms or console.typed(OHMS_ASKED), "ohm")
    said: list[tuple[float, float]] = []
    for side in range(len(sides)):
        first, second = (volts[side] if volts else _shown(card, console, side, text)
                         for volts, text in zip(given, volts_asked(side), strict=True))
        said.append((first, second))
    sys.stderr.write("taking the card's own response, distortion and noise\n")
    made = measured_by(card, said, ohms)
    path = keep(made)
    return View(lambda: _document(made), lambda width, colour: f"{made.text()}\nkept in {path}\n")


def _volts_of(text: str, count: int, word: str) -> list[float]:
    """Volts of so many sides; none where nothing is given."""
    told = [parse(part, "V") for part in text.split(",")] if text else []
    if told and len(told) != count:
        raise InputError(f"{word} has {len(told)} readings of a meter",
                         expected="one" if count == 1 else "two, such as '0.632 V, 0.631 V'")
    return told


def _shown(card: Card, console: Console, side: int, text: str) -> float:
    """What a meter shows while a tone plays at one side."""
    with card.sounding(tone_at(side, card.rate)):
        return parse(console.typed(text), "V")


def _document(made: Calibration) -> dict[str, Any]:
    return {
        "format": FORMAT, "device": made.device, "date": made.dated, "rate": made.rate,
        "full scale out": made.plays, "full scale in": made.records,
        "output impedance": made.output_ohms, "input impedance": made.input_ohms,
        "response": [list(pair) for pair in made.response],
        "harmonics": [list(pair) for pair in made.harmonics],
        "noise": [{"weighting": word, "value": x} for word, x in made.noise.items()],
        "hum": [list(pair) for pair in made.hum],
        "crosstalk": [list(pair) for pair in made.crosstalk],
        "right": None if made.right is None else _document(made.right),
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
    proposed = _proposed(case, bench, progress) if values.next else None
    own = _own(values, values.list)
    card = None if values.list else opened(values)
    made = asked.prepared(text, case, own, bench, proposed)
    if card is None or not made.takes:
        return lambda: _listed(case, made.steps, made.left, own)
    good = asked.good(made, bench, progress)
    return lambda: _taken(path, text, case, made.steps, card, made.rig, good, not values.yes)


def _proposed(case: Case, bench: Bench, progress: Stepwise | None) -> list[asked.Conditions]:
    """What ``diagnose next`` proposes."""
    from diagnose.door.answers import next_readings

    return [item.conditions for item in next_readings(case, None, False, bench, progress)]


def _taken(
    path: Path, text: str, case: Case, made: Sequence[Step], card: Card, rig: Rig,
    good: Mapping[Reading, Figure], waits: bool,
) -> View:
    """The session itself."""
    own, kept_readings = rig.own, list[tuple[Taken, str]]()
    meanwhile = Meanwhile(text, case.stage, [name for name, _ in case.channels])

    def took(one: Taken, channel: str, again: bool) -> str:
        from diagnose.show.text_take import taken_text

        here, typed = write(path, one, channel, None if again else meanwhile)
        if typed:
            return f"! {stays(one, channel, typed)}"
        meanwhile.wrote(one, channel if here.channels else "")
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


def write(
    path: Path, one: Taken, channel: str, meanwhile: Meanwhile | None = None
) -> tuple[Case, str]:
    """A reading into the file of its sheet, in the row that asked for it.

    Parameters
    ----------
    meanwhile : Meanwhile, optional
        What the session knows of rows; what was typed since stays.

    Returns
    -------
    Case
        As it is now.
    str
        What was typed into the row, and stays; empty where the reading is on the sheet.
    """
    text, case = load_sheet(path)
    channel = channel if case.channels else ""
    if meanwhile is not None and (typed := meanwhile.typed(text, one, channel)):
        return case, typed
    return save(path, asked.in_its_row(text, case.stage, one, channel), text), ""


def _own(values: Namespace, listing: bool) -> Calibration:
    """The calibration of the card; to list, without a card, that of a usual one."""
    try:
        name = opened(values).name
    except InputError:
        if not listing or values.device or values.input:
            raise
        return replace(USUAL, rate=values.rate)
    own = kept(name)
    if own is None and listing:
        return replace(USUAL, device=name, rate=values.rate)
    if own is None:
        raise InputError(f"the card {name} is not calibrated yet",
                         expected="once, a meter and a cable: diagnose take --calibrate")
    return own


def _listed(
    case: Case, made: Sequence[Step], left: Sequence[tuple[Reading, str, str]], own: Calibration
) -> View:
    def text(width: int, colour: bool) -> str:
        from diagnose.show.text_take import wanted_text

        return wanted_text(made, left, own.text(), width, colour)

    def document() -> dict[str, Any]:
        return {
            "format": FORMAT, "stage": case.stage.name, "case": case.name,
            "steps": [{"text": step.text, "takes": list(step.labels())} for step in made],
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


"""Readings by a sound card as a run that pages walk through: the steps of ``diagnose take``."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any

from circuits.cautions import caution_texts
from circuits.errors import AmplifierError, InputError
from circuits.quantity import render
from circuits.signals.recording import CHANNELS
from diagnose.sheet.entry import Measured
from diagnose.show.level_figure import live_spectrum, take_spectrum
from diagnose.show.text_take import level_words, share
from diagnose.soundcard import portaudio
from diagnose.soundcard.asked import Prepared
from diagnose.soundcard.calibration import USUAL, kept
from diagnose.soundcard.card import Card, Floats
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.level import Level, level
from diagnose.soundcard.meanwhile import Meanwhile, stays
from diagnose.soundcard.session import AGAIN, GO, SKIP, Step, session
from diagnose.soundcard.session import STOP as STOPPED
from diagnose.soundcard.spectrum import of_take, spectrum
from diagnose.soundcard.taking import Rig, Taken, Takes
from diagnose.web.bench_sheet import BenchSheet
from diagnose.web.desk import Desk
from diagnose.web.runs import STOP, Run
from diagnose.web.taken import in_both_rows
from diagnose.web.written import written

_ANEW = 2.0
"""s after which a card that could not be opened is tried again: a sound server may be busy."""
_SPAN = 0.5
"""s that a look at the level sees: 50 Hz is told from 100 Hz by then."""
_REMARK = "the card {name} is not calibrated yet"
_ONCE = "once, a meter and a cable: Calibrate the card, or diagnose take --calibrate"


@dataclass(frozen=True)
class CardAsked:
    """What a page asks a card for.

    Attributes
    ----------
    device, recorder : str
        As `diagnose.soundcard.portaudio.card`.
    by_advice : bool
        Whether the answer says what is taken, in place of the empty rows.
    """

    device: str = ""
    recorder: str = ""
    rate: float = 48e3
    by_advice: bool = False


def devices() -> list[dict[str, Any]]:
    """The devices of this machine, those that can play or record.

    Raises
    ------
    InputError
        Without the library, with how to get it.
    """
    found = []
    for one in portaudio.devices():
        if one.inputs or one.outputs:
            own = kept(one.name)
            found.append({"index": one.index, "name": one.name, "inputs": one.inputs,
                          "outputs": one.outputs, "calibrated": own.dated if own else ""})
    return found


def take_by_card(run: Run, at: Desk, name: str, wanted: CardAsked) -> None:
    """Walk through a session, from what the sheet asks for to its last step.

    Raises
    ------
    AmplifierError
        For a sheet, a device or a take that does not do; what was taken is on the sheet.
    """
    run.tell(text="opening the card")
    card = portaudio.card(wanted.device, wanted.recorder, wanted.rate)
    run.on_end(card.ended.set)
    own = kept(card.name)
    sheet = BenchSheet(run, at, name)
    proposed = sheet.proposed() if wanted.by_advice else None
    run.tell(text="looking at what the sheet asks for")
    used = own or replace(USUAL, device=card.name, rate=wanted.rate)
    made: Prepared = at.short.run("card_steps", str(sheet.kept.path), used, proposed)
    left = [{"reading": reading.label(), "channel": channel, "why": why}
            for reading, channel, why in made.left]
    run.tell(
        title=used.text(), steps=[_shown(step) for step in made.steps], left=left, text="",
        cautions=list(caution_texts(sheet.case.stage)),
        remarks=list(own.remarks()) if own else [],
    )
    if not made.takes:
        raise InputError("this sheet asks for nothing that a card takes",
                         expected="an empty row of gain, thd, noise or the like; or what the "
                         "answer proposes")
    if own is None:
        raise InputError(_REMARK.format(name=card.name), expected=_ONCE)
    sheet.look_for_good(made.loaded())
    run.ask((GO, STOP), phase="listed")
    if run.answer() == GO:
        # a device that does not open just now is tried again by whoever stands there
        session(made.steps, card, made.rig, _Person(run, sheet, card, made),
                (NotTaken, InputError))
    run.tell(text=sheet.count())


def _shown(step: Step) -> dict[str, Any]:
    # what both channels have alike is told once
    takes = list(dict.fromkeys(reading.label() for task in step.takes for reading in task.readings))
    return {"text": step.text, "takes": takes}


class _Person:
    """A `diagnose.soundcard.session.Console` of whoever looks at a page."""

    def __init__(self, run: Run, sheet: BenchSheet, card: Card, made: Prepared) -> None:
        self._run, self._sheet, self._card, self._made = run, sheet, card, made
        self._meanwhile = Meanwhile(written(sheet.kept.sheet).text, sheet.case.stage,
                                    [name for name, _ in sheet.case.channels])

    def choose(self, step: Step, failed: bool) -> str:
        """As `Console.choose`."""
        place = next(k for k, one in enumerate(self._made.steps) if one is step)
        before = any(one.task for one in self._made.steps[:place])
        words = (GO, SKIP, *((AGAIN,) if before else ()), STOP)
        self._run.ask(words, phase="step", step=place, failed=failed, asked="")
        word = self._waited()
        # what was heard stays until then, as the step after a take may be of hands
        self._run.tell(heard=(), fresh=0)
        if word == GO and step.task is not None:
            self._run.tell(phase="taking", level=None)
        return STOPPED if word == STOP else word

    def ask(self, text: str) -> bool:
        """As `Console.ask`."""
        self._run.ask((GO, SKIP, STOP), phase="asked", asked=text)
        word = self._waited()
        self._run.tell(phase="taking", level=None, asked="")
        return word == GO

    def told(self, text: str) -> None:
        """As `Console.told`."""
        self._run.remark(text)

    def heard(self, step: Step, takes: Sequence[Takes]) -> None:
        """As `Console.heard`."""
        mains, width = self._sheet.case.stage.mains, self._run.width
        shown = [{"channel": task.channel if step.beside else "", "spectrum": take_spectrum(
                     of_take(one.wave, mains), one.wave.full_scale, width)}
                 for task, one in zip(step.takes, takes, strict=True) if one.wave is not None]
        self._run.tell(heard=shown, fresh=sum(len(one.readings) for one in takes))

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        """As `Console.took`. What was typed there meanwhile stays."""
        stage = self._sheet.case.stage
        channels = [name for name, _ in self._sheet.case.channels]
        side = channel if channels else ""
        typed = "" if again else self._meanwhile.typed(self._sheet.text_now(), taken, side)
        if typed:
            self._run.remark(stays(taken, side, typed))
            return
        self._sheet.keep(
            lambda text: in_both_rows(text, stage, taken, side, channels),
            Measured(taken.asked, taken.value, bound=taken.bound), taken.reading, taken.text(),
            side,
        )
        self._meanwhile.wrote(taken, side)

    def _waited(self) -> str:
        """A word; what comes in is shown meanwhile, as long as somebody looks."""
        listener = _Listener(self._run, self._card, self._made)
        try:
            return self._run.answer(listener.look)
        finally:
            listener.close()
            self._run.tell(level=None)


class _Listener:
    """What comes in while a step waits. The card is open only while a page looks at it."""

    def __init__(self, run: Run, card: Card, made: Prepared) -> None:
        self._run, self._card, self._made = run, card, made
        self._open: AbstractContextManager[Callable[[float], Floats]] | None = None
        self._latest: Callable[[float], Floats] | None = None
        self._failed = -math.inf
        self._both = any(step.side or step.beside for step in made.steps)

    def look(self) -> None:
        """One look, told to the page."""
        if not self._run.watched:
            self.close()
            return
        if time.monotonic() - self._failed < _ANEW:
            return
        try:
            if self._latest is None:
                self._open = self._card.listening()
                self._latest = self._open.__enter__()
            waves = self._latest(_SPAN)
        except AmplifierError as error:
            # the step can be gone on with all the same: a take says by itself what is wrong
            self._failed = time.monotonic()
            self._run.tell(level={"problem": str(error)})
            self.close()
            return
        rig = self._made.rig
        sides = [(CHANNELS[0] if self._both else "", rig)]
        if self._both and rig.right is not None:
            sides.append((CHANNELS[1], rig.right))
        self._run.tell(level={"sides": [self._side(*side, wave) for side, wave
                                        in zip(sides, waves, strict=False)]})

    def _side(self, name: str, rig: Rig, wave: Floats) -> dict[str, Any]:
        """What comes in at one side of the card."""
        rate, mains = self._card.rate, rig.stage.mains
        picture = live_spectrum(spectrum(wave, rate, mains), self._run.width)
        return {"side": name, "spectrum": picture,
                **_told(level(wave, rate, mains), rig.full_scale)}

    def close(self) -> None:
        """Let the card go."""
        opened, self._open, self._latest = self._open, None, None
        if opened is not None:
            opened.__exit__(None, None, None)


def _told(seen: Level, full_scale: float) -> dict[str, Any]:
    words, warning = level_words(seen, full_scale)
    if seen.hum and not seen.clipped:
        frequency, loud = seen.hum[0]
        warning = f"hum at {render(frequency, 'Hz')}, {loud:.0f} dBFS"
    return {"words": words, "warning": warning, "clipped": seen.clipped, "share": share(seen.rms),
            "peak": share(seen.peak)}

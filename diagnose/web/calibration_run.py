"""A sound card calibrated, as a run that a page walks through: ``diagnose take --calibrate``."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext

from circuits.errors import InputError
from circuits.quantity import parse
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibrating import OHMS_ASKED, measured_by, tone_at, volts_asked
from diagnose.soundcard.calibration import keep
from diagnose.soundcard.card import Ended
from diagnose.soundcard.session import GO
from diagnose.web.card_run import CardAsked
from diagnose.web.runs import STOP, Run


def calibrate(run: Run, wanted: CardAsked, both: bool) -> None:
    """Ask for the ohms of the input and what a meter shows, take the loop, and keep what it is.

    Parameters
    ----------
    both : bool
        Whether the right side of the card is calibrated too.

    Raises
    ------
    AmplifierError
        For a card that does not open, or readings that do not fit together; nothing is kept then.
    """
    run.tell(text="opening the card")
    card = portaudio.card(wanted.device, wanted.recorder, wanted.rate)
    run.on_end(card.ended.set)
    run.tell(text="", title=card.name)
    ohms = _typed(run, OHMS_ASKED, "ohm", nullcontext())
    said = []
    for side in range(1 + both):
        first, second = (_typed(run, text, "V", card.sounding(tone_at(side, card.rate)))
                         for text in volts_asked(side))
        said.append((first, second))
    run.tell(phase="taking", asked="taking the card's own response, distortion and noise")
    made = measured_by(card, said, ohms)
    keep(made)
    run.tell(text=f"kept: {made.text()}")


def _typed(run: Run, text: str, unit: str, meanwhile: AbstractContextManager[None]) -> float:
    """A value that somebody types, asked for until it is one."""
    problem = typed = ""
    with meanwhile:
        while True:
            run.ask((GO, STOP), phase="typed", asked=text, problem=problem, typed=typed)
            if run.answer() == STOP:
                raise Ended
            typed = run.typed
            try:
                return parse(typed, unit)
            except InputError as error:
                problem = str(error)

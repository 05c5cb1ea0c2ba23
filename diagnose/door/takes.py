"""Readings by a sound card from a script, into a sheet."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.door.on_bench import on_bench

if TYPE_CHECKING:
    from diagnose.soundcard.calibration import Calibration
    from diagnose.soundcard.card import Card
    from diagnose.soundcard.session import Step
    from diagnose.soundcard.taken import Taken, Takes
    from faultlib.simulate import Bench

    Volts = tuple[str | float, str | float]


def sound_card(device: str = "", recorder: str = "", rate: str | float = 48e3) -> Card:
    """The sound card of this machine.

    Parameters
    ----------
    device : str
        What plays, and records where it can: a number, or a part of a name; empty for the system's
        own.
    recorder : str
        What records, where it is another.
    rate : str or float
        Samples a second.

    Raises
    ------
    InputError
        Where what plays and records is not installed, or there is no such card.
    """
    from circuits.quantity import parse
    from diagnose.soundcard import portaudio

    return portaudio.card(device, recorder, parse(rate, "Hz"))


def calibrate(
    card: Card, left: Volts, input_ohms: str | float, right: Volts | None = None
) -> Calibration:
    """Calibrate a card in its loop of cable, and keep that by its name.

    Parameters
    ----------
    card : Card
    left : pair of str or float
        V RMS that a meter reads at the left output, open and with a cable to the left input, of a
        sine of 1 kHz 10 dB below full scale (`signal` plays one).
    input_ohms : str or float
        Of the input.
    right : pair of str or float, optional
        The same of the right side, which then is calibrated as well.

    Raises
    ------
    InputError
        For readings that do not fit together, or an input that hears nothing.
    """
    from circuits.quantity import parse
    from diagnose.soundcard.calibrating import measure_both, measure_own
    from diagnose.soundcard.calibration import keep

    ohms = parse(input_ohms, "ohm")
    first = parse(left[0], "V"), parse(left[1], "V")
    if right is None:
        made = measure_own(card, *first, ohms)
    else:
        made = measure_both(card, first, (parse(right[0], "V"), parse(right[1], "V")), ohms)
    keep(made)
    return made


def take(
    sheet: Path | str,
    card: Card | None = None,
    ask: Callable[[str], bool] | None = None,
    told: Callable[[str], None] | None = None,
    calibration: Calibration | None = None,
    bench: Bench | None = None,
) -> tuple[Taken, ...]:
    """Take readings by a sound card into a sheet, each as it comes.

    Parameters
    ----------
    sheet : path
        A sheet as YAML. Its empty rows say what is taken, else what a blank one asks for.
    card : Card, optional
        By default the system's own.
    ask : callable, optional
        Called with what hands have to do, and before every take; False skips it. Without,
        everything is connected and stays, and what takes hands in the middle is left out.
    told : callable, optional
        Called with every caution and remark; by default they are warnings.
    calibration : Calibration, optional
        Of the card; by default the one that was kept by its name.
    bench : Bench, optional
        Where the gain of the healthy unit is simulated, by which levels begin.

    Returns
    -------
    tuple of Taken

    Raises
    ------
    InputError
        For a sheet that cannot be written into, or a card that is not calibrated.
    """
    from circuits.cautions import caution_texts
    from circuits.errors import InputError
    from diagnose.sheet.putting import load_sheet, save
    from diagnose.soundcard.asked import in_its_row, prepared
    from diagnose.soundcard.calibration import kept
    from diagnose.soundcard.meanwhile import Meanwhile, stays
    from diagnose.soundcard.session import session

    path = Path(sheet)
    text, case = load_sheet(path)
    used = card or sound_card()
    own = calibration or kept(used.name)
    if own is None:
        raise InputError(f"the card {used.name} is not calibrated yet",
                         expected="once, a meter and a cable: diagnose.calibrate")
    with on_bench(bench) as at:
        made = prepared(text, case, own, at)

    meanwhile = Meanwhile(text, case.stage, [name for name, _ in case.channels])

    def keep(one: Taken, channel: str) -> None:
        now, there = load_sheet(path)
        channel = channel if there.channels else ""
        if typed := meanwhile.typed(now, one, channel):
            person.told(stays(one, channel, typed))
            return
        save(path, in_its_row(now, there.stage, one, channel), now)
        meanwhile.wrote(one, channel)

    person = _Person(ask, told or _warn, keep)
    for caution in (*own.remarks(), *caution_texts(case.stage)):
        person.told(caution)
    session(made.steps, used, made.rig, person)
    return tuple(person.kept)


def _warn(text: str) -> None:
    warnings.warn(text, stacklevel=4)


class _Person:
    """A `diagnose.soundcard.session.Console` of a script."""

    def __init__(
        self, ask: Callable[[str], bool] | None, told: Callable[[str], None],
        keep: Callable[[Taken, str], None],
    ) -> None:
        self._ask, self.told, self._keep = ask, told, keep
        self.kept: list[Taken] = []

    def choose(self, step: Step, failed: bool) -> str:
        """As `Console.choose`: a step that is refused, or whose take failed, is skipped."""
        from diagnose.soundcard.session import GO, SKIP

        return SKIP if failed or (self._ask is not None and not self._ask(step.text)) else GO

    def ask(self, text: str) -> bool:
        """As `Console.ask`."""
        return self._ask is not None and self._ask(text)

    def heard(self, step: Step, takes: Sequence[Takes]) -> None:
        """As `Console.heard`."""

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        """As `Console.took`; no step is repeated."""
        self._keep(taken, channel)
        self.kept.append(taken)

"""A multimeter that speaks SCPI: its name, and one value after the other.

Words are those of SCPI-99 (volume 2, from memory): ``*IDN?``, ``CONF:VOLT:DC``, ``READ?``,
``SYST:ERR?``; what is over the range is 9.9e37, and what is no number 9.91e37.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from circuits.errors import InputError
from diagnose.instruments.connection import Gone, Line, Silent

FUNCTIONS = {"dc voltage": ("VOLT:DC", "V"), "resistance": ("RES", "ohm")}
"""Quantities of a sheet that a multimeter takes at a point: its word for each, and the unit."""
OVER = 9.8e37
"""From here on a value is over the range: SCPI has 9.9e37 for infinity, 9.91e37 for no number."""
_TRIES = 3
"""Times that a value is asked for when what comes is no number."""
_SHOWN = 40
"""Signs of an answer that a message shows."""
_NUMBER = re.compile(r"[-+]?[0-9]+(\.[0-9]*)?([eE][-+]?[0-9]+)?")


class Lost(InputError):
    """The meter does not answer any more."""


@dataclass(frozen=True)
class Shown:
    """One value of a meter.

    Attributes
    ----------
    value : float
        V or ohm; of no use where it is `over`.
    over : bool
        Whether it is above the range: an open input of an ohmmeter, an overload of a voltmeter.
    step : float
        What the last digit is worth that the meter sent, V or ohm.
    """

    value: float
    over: bool
    step: float


def understood(text: str) -> Shown | None:
    """What a meter sent as a value; None where it is none."""
    word = text.strip()
    if not _NUMBER.fullmatch(word):
        return None
    value = float(word)
    mantissa, _, power = word.lower().partition("e")
    places = len(mantissa.partition(".")[2])
    return Shown(value, abs(value) >= OVER, 10.0 ** (int(power or 0) - places))


class Meter:
    """A meter on a line.

    Parameters
    ----------
    address : str
        In messages.

    Raises
    ------
    InputError
        For silence, or something that is no instrument.
    """

    def __init__(self, line: Line, address: str) -> None:
        self._line = line
        self.address = address
        self._function = ""
        self.most: float | None = None
        try:
            said = line.ask("*IDN?")
        except (Silent, Gone):
            raise InputError(
                f"nothing answers at {address}",
                expected="a meter that is switched on, with this interface chosen in its menu",
            ) from None
        if said.count(",") < 2 or not said.isprintable():
            raise InputError(
                f"what answers at {address} is no instrument that says its name: {shown(said)}",
                expected="maker, model, serial number and version, as SCPI has it; or another "
                "address, or speed of the line",
            )
        self.name = " ".join(said.split(",")[:2])

    def prepare(self, quantity: str) -> None:
        """Set the meter to a quantity of `FUNCTIONS`, its range by itself.

        Raises
        ------
        InputError
            For an instrument that cannot do it.
        """
        word, _ = FUNCTIONS[quantity]
        if self._function == word:
            return
        self._function = word
        try:
            self._line.say(f"CONF:{word}")
            wrong = self._line.ask("SYST:ERR?")
        except Silent:
            wrong = "0"  # one that tells no mistakes: its first value will show
        except Gone as error:
            raise self._lost(str(error)) from None
        number = re.match(r"[-+]?[0-9]+", wrong)
        if number and int(number[0]) != 0:
            raise InputError(
                f"{self.name} at {self.address} takes no {quantity}: {shown(wrong)}",
                expected=f"a multimeter that knows CONF:{word}",
            )
        self.most = self._most(word)

    def _most(self, word: str) -> float | None:
        """The highest range; None where the meter does not say."""
        try:
            told = understood(self._line.ask(f"{word}:RANG? MAX"))
        except Silent:
            return None
        except Gone as error:
            raise self._lost(str(error)) from None
        return told.value if told and not told.over and told.value > 0.0 else None

    def read(self) -> Shown:
        """One value.

        Raises
        ------
        InputError
            For one that does not answer any more, or sends what is no value.
        """
        came = ""
        for _ in range(_TRIES):
            try:
                came = self._line.ask("READ?")
            except Silent:
                continue
            except Gone as error:
                raise self._lost(str(error)) from None
            value = understood(came)
            if value is not None:
                return value
        if not came:
            raise self._lost(f"no value came in {_TRIES} tries")
        raise InputError(
            f"{self.name} at {self.address} sends what is no value: {shown(came)}",
            expected="a number such as +1.3921E+00; a line without noise, at the speed of the "
            "meter",
        )

    def _lost(self, why: str) -> Lost:
        return Lost(f"{self.name} at {self.address} does not answer any more: {why}",
                    expected="the cable in its place; then the same command again goes on")


def shown(text: str) -> str:
    """What came from a line, in signs that can be printed."""
    plain = "".join(c if c.isprintable() and c != "\ufffd" else "?" for c in text[:_SHOWN])
    return repr(plain) if text else "an empty line"

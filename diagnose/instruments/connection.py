"""The line to an instrument: opened by its address, and what can happen to it.

Addresses are those of VISA, ``TCPIP::192.168.1.7::5025::SOCKET`` or ``ASRL/dev/ttyUSB0::INSTR``;
a host with a port is short for the first. The line is that of `pyvisa` with its back end in Python;
nothing of it is imported before it is needed.
"""

from __future__ import annotations

import gc
import os
import re
import warnings
from types import TracebackType
from typing import Any, Protocol

from circuits.errors import InputError

BACK_END = "AMP_DIAGNOSE_VISA"
"""Variable of the environment with another back end of pyvisa, such as ``@ivi`` for a vendor's."""
_USUAL = "@py"
TIMEOUT = 3.0
"""s that an answer may take: a meter that seeks its range needs one or two."""
_BAUD = 9600
"""Bits a second of a serial line, as most meters have it when they leave the works."""


class Silent(Exception):
    """No answer came in time."""


class Gone(Exception):
    """The line is cut."""


class Line(Protocol):
    """What a meter is asked through."""

    def say(self, words: str) -> None:
        """Send a command."""

    def ask(self, words: str) -> str:
        """Send a question; the answer, without its line end.

        Raises
        ------
        Silent
        Gone
        """

    def close(self) -> None:
        """Let the line go."""


def visa_address(word: str) -> str:
    """The address of VISA that a word means: itself, or that of a host with a port."""
    short = re.fullmatch(r"([A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):([0-9]{1,5})", word.strip())
    if short:
        return f"TCPIP::{short[1].strip('[]')}::{short[2]}::SOCKET"
    return word.strip()


def _pyvisa() -> Any:
    try:
        import pyvisa
        import pyvisa_py  # noqa: F401  what answers for "@py"
    except ImportError:
        raise InputError(
            "reading a meter needs pyvisa and pyvisa-py, which are not installed",
            expected="pip install 'amplifier-fault-diagnosis[bench]'",
        ) from None
    return pyvisa


def found() -> tuple[str, ...]:
    """Addresses of the instruments that show themselves.

    Raises
    ------
    InputError
        Where the packages are missing.
    """
    pyvisa = _pyvisa()
    try:
        with warnings.catch_warnings():
            # what the back end could find besides with one more package is nothing for a user here
            warnings.simplefilter("ignore")
            manager = pyvisa.ResourceManager(os.environ.get(BACK_END, _USUAL))
            return tuple(sorted(manager.list_resources("?*")))
    except (pyvisa.Error, OSError, ValueError):
        return ()


class VisaLine:
    """A line of pyvisa.

    Parameters
    ----------
    address : str
        As `visa_address` takes it.

    Raises
    ------
    InputError
        For an address that is none, or one at which nothing can be reached.
    """

    def __init__(self, address: str) -> None:
        pyvisa = _pyvisa()
        self._errors = (pyvisa.Error, OSError)
        self._silence = pyvisa.constants.StatusCode.error_timeout
        name = visa_address(address)
        why: str | None = None
        try:
            manager = pyvisa.ResourceManager(os.environ.get(BACK_END, _USUAL))
            self._line = manager.open_resource(name)
        except Exception as error:  # noqa: BLE001  the back end raises bare ones, for no such host
            why = _plain(error)
        if why is not None:
            _let_go()
            raise _no_line(address, why)
        if not isinstance(self._line, pyvisa.resources.MessageBasedResource):
            raise _no_line(address, "this is no address of an instrument")
        self._line.read_termination = self._line.write_termination = "\n"
        self._line.timeout = 1000.0 * TIMEOUT
        if name.upper().startswith("ASRL"):
            self._line.baud_rate = _BAUD

    def say(self, words: str) -> None:
        """Send a command."""
        self._do(lambda: self._line.write(words))

    def ask(self, words: str) -> str:
        """Send a question and wait for the answer."""
        return str(self._do(lambda: self._line.query(words))).strip()

    def _do(self, act: Any) -> Any:
        try:
            return act()
        except UnicodeDecodeError:
            return "\ufffd"  # noise on the line: no letter, so no answer either
        except self._errors as error:
            if getattr(error, "error_code", None) == self._silence:
                raise Silent from None
            raise Gone(_plain(error)) from None

    def close(self) -> None:
        """Let the line go."""
        try:
            self._line.close()
        except self._errors:
            return  # it was cut, and is gone as it is

    def __enter__(self) -> VisaLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _let_go() -> None:
    """Close what the back end opened in vain: it leaves that to the collector, with a warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


def _no_line(address: str, why: str) -> InputError:
    return InputError(
        f"no line to {address} can be opened: {why}",
        expected="the address of a meter that is on and connected, such as 192.168.1.7:5025, "
        "TCPIP::192.168.1.7::5025::SOCKET or ASRL/dev/ttyUSB0::INSTR")


def _plain(error: BaseException) -> str:
    text = str(getattr(error, "description", "") or error).strip().splitlines()
    return text[0].rstrip(".") if text else type(error).__name__

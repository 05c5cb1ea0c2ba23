"""Keys of a terminal while the meter is read: each at once, without Enter; of a pipe, lines.

`keyboard` gives the one of this system: here that of Linux and macOS, in `windows_keys` that of a
console of Windows.
"""

from __future__ import annotations

import os
import re
import select
import sys
from types import TracebackType
from typing import Any

from diagnose.instruments.key_words import LONGEST_WAIT, WORDS, Keys, words_of_line
from diagnose.instruments.session import END

_PAGE = "\x1b[6~"
"""What a terminal sends for that."""
_ESCAPE = re.compile(r"\x1b(\[[0-9;]*[A-Za-z~]|O.)?")


def keyboard() -> Keys:
    """The keys of standard input on this system."""
    if os.name == "nt":
        from diagnose.instruments.windows_keys import ConsoleKeys

        return ConsoleKeys()
    return TerminalKeys()


class TerminalKeys:
    """The keys of a terminal, or the lines of a pipe, of a POSIX system.

    As a context it sets the terminal so that keys come at once, and sets it back.
    """

    def __init__(self) -> None:
        self._handle = sys.stdin.fileno()
        self._terminal = os.isatty(self._handle)
        self._waiting: list[str] = []
        self._rest = ""
        self._over = False
        self._before: Any = None

    def __enter__(self) -> TerminalKeys:
        if self._terminal:
            import termios
            import tty

            self._before = termios.tcgetattr(self._handle)
            tty.setcbreak(self._handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is not None:
            import termios

            termios.tcsetattr(self._handle, termios.TCSADRAIN, self._before)

    def poll(self) -> str:
        """The next word that waits; empty for none."""
        self._look(0.0)
        return self._waiting.pop(0) if self._waiting else ""

    def wait(self) -> str:
        """The next word."""
        while not self._waiting and not self._over:
            self._look(LONGEST_WAIT)
        return self._waiting.pop(0) if self._waiting else END

    def _look(self, seconds: float) -> None:
        if self._over or not select.select([self._handle], [], [], seconds)[0]:
            return
        came = os.read(self._handle, 1024)
        self._over = not came
        self._rest += came.decode("utf-8", "replace")
        if self._terminal:
            text, self._rest = self._rest.replace(_PAGE, " "), ""
            self._waiting += [WORDS[c] for c in _ESCAPE.sub("", text).lower() if c in WORDS]
            return
        *lines, self._rest = self._rest.split("\n")
        for line in lines:
            self._waiting += words_of_line(line)

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

from diagnose.instruments.key_words import WORDS, Keys, Waiting, words_of_line

_PAGE = "\x1b[6~"
"""What a terminal sends for that."""
_ESCAPE = re.compile(r"\x1b(\[[0-9;]*[A-Za-z~]|O.)?")


def keyboard() -> Keys:
    """The keys of standard input on this system."""
    if os.name == "nt":
        from diagnose.instruments.windows_keys import ConsoleKeys

        return ConsoleKeys()
    return TerminalKeys()


class TerminalKeys(Waiting):
    """The keys of a terminal, or the lines of a pipe, of a POSIX system.

    As a context it sets the terminal so that keys come at once, and sets it back.
    """

    def __init__(self) -> None:
        super().__init__()
        self._handle = sys.stdin.fileno()
        self._terminal = os.isatty(self._handle)
        self._rest = ""
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

"""Keys of a console of Windows while the meter is read, by `msvcrt` of the standard library.

Written by the words of its documentation and tried with a module in its place; not on Windows
itself.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from importlib import import_module
from types import TracebackType
from typing import Any

from diagnose.instruments.key_words import WORDS, Waiting, words_of_line
from diagnose.instruments.session import TAKE

_SPECIAL = ("\x00", "\xe0")
"""What comes before the code of a key that is no letter."""
_PAGE = "Q"
"""Code of the key for the next page, which foot pedals send."""
_BREAK = "\x03"
"""Ctrl-C, where it comes as a key."""
_LOOK = 0.02
"""s between two looks at the console, which has no wait with an end."""


class ConsoleKeys(Waiting):
    """The keys of a console, or the lines of a pipe.

    A pipe has no way to ask whether something waits in it, so that a thread of its own reads it.
    """

    def __init__(self) -> None:
        super().__init__()
        self._console = sys.stdin.isatty()
        self._keys: Any = import_module("msvcrt") if self._console else None
        self._lines: queue.Queue[str | None] = queue.Queue()

    def __enter__(self) -> ConsoleKeys:
        if not self._console:
            threading.Thread(target=self._read, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Nothing: a console is not set to anything."""

    def _look(self, seconds: float) -> None:
        """Take what waits, and wait for it so long; a wait in pieces, so that Ctrl-C is heard."""
        if not self._console:
            self._lines_within(seconds)
            return
        until = time.monotonic() + seconds
        while not self._keys.kbhit():
            if time.monotonic() >= until:
                return
            time.sleep(_LOOK)
        while self._keys.kbhit():
            self._key()

    def _key(self) -> None:
        key = self._keys.getwch()
        if key == _BREAK:
            raise KeyboardInterrupt
        if key in _SPECIAL:
            # the code comes with the second call
            if self._keys.getwch() == _PAGE:
                self._waiting.append(TAKE)
            return
        if key.lower() in WORDS:
            self._waiting.append(WORDS[key.lower()])

    def _lines_within(self, seconds: float) -> None:
        try:
            line = self._lines.get(timeout=seconds) if seconds else self._lines.get_nowait()
        except queue.Empty:
            return
        if line is None:
            self._over = True
        else:
            self._waiting += words_of_line(line)

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line)
        self._lines.put(None)

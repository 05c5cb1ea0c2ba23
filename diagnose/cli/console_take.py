"""Whoever sits at the bench: steps shown on standard error, words read from standard input.

While a step waits, the level that comes in is drawn in one line, on a terminal only.
"""

from __future__ import annotations

import queue
import shutil
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import nullcontext

from circuits.errors import InputError
from diagnose.show.text_take import level_line
from diagnose.soundcard.card import Card, Floats
from diagnose.soundcard.level import level
from diagnose.soundcard.session import AGAIN, GO, SKIP, STOP, Step
from diagnose.soundcard.taking import Taken, Takes

_KEYS = {"": GO, "s": SKIP, "skip": SKIP, "r": AGAIN, "repeat": AGAIN, "q": STOP, "quit": STOP}
"""What may be typed before the Enter key."""
_LOOK, _SPAN = 0.2, 0.5
"""s between two looks at the level, and how much each sees: 50 Hz is told from 100 Hz by then."""


class Bench:
    """A `diagnose.soundcard.session.Console` of a terminal, or of a script that writes lines.

    Parameters
    ----------
    card : Card or None
        Whose level is drawn; None for none.
    full_scale : float
        V RMS at the unit's output that fills the input.
    mains : float
        Hz.
    took : callable
        Keeps a reading of a channel, of a step that was repeated or not, and gives the line to
        show.
    waits : bool
        Whether anybody is asked.
    """

    def __init__(
        self, card: Card | None, full_scale: float, mains: float,
        took: Callable[[Taken, str, bool], str], waits: bool = True,
    ) -> None:
        self._card, self._full, self._mains = card, full_scale, mains
        self._took, self._waits = took, waits
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._reader: threading.Thread | None = None
        self._number = 0

    def choose(self, step: Step, failed: bool) -> str:
        """As `Console.choose`: Enter goes on, s skips, r repeats, q ends."""
        if failed and not self._waits:
            return SKIP
        self._say(f"\n– {step.text}" + ("  (again, or s to skip it)" if failed else ""))
        if not self._waits:
            return GO
        while True:
            word = self._line("Enter: go on   s: skip   r: repeat the last take   q: end")
            if word is None:
                return STOP
            if word.strip().lower() in _KEYS:
                return _KEYS[word.strip().lower()]
            self._say(f"  {word.strip()!r} is none of these")

    def ask(self, text: str) -> bool:
        """As `Console.ask`."""
        self._say(f"\n– {text}")
        if not self._waits:
            return False
        word = self._line("Enter: done   s: skip")
        return word is not None and word.strip().lower() not in ("s", "skip", "q", "quit")

    def told(self, text: str) -> None:
        """As `Console.told`."""
        self._say(f"  ! {text}")

    def heard(self, step: Step, takes: Sequence[Takes]) -> None:
        """As `Console.heard`: a terminal shows the readings alone."""

    def took(self, taken: Taken, channel: str, again: bool) -> None:
        """As `Console.took`."""
        self._say(f"  {self._took(taken, channel, again)}")

    def typed(self, text: str) -> str:
        """What is typed in answer to a question.

        Raises
        ------
        InputError
            Where there is nobody to type it.
        """
        self._say(f"\n– {text}")
        word = self._line("")
        if word is None or not word.strip():
            raise InputError("nothing was typed", expected=text)
        return word.strip()

    def _say(self, text: str) -> None:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def _line(self, keys: str) -> str | None:
        """The next line of standard input; None at its end. The level is drawn meanwhile."""
        if self._reader is None:
            self._reader = threading.Thread(target=self._read, daemon=True)
            self._reader.start()
        if keys:
            self._say(f"  [{keys}]")
        drawn = self._card is not None and sys.stderr.isatty()
        with self._card.listening() if drawn and self._card else nullcontext(None) as latest:
            while True:
                try:
                    line = self._lines.get(timeout=_LOOK)
                except queue.Empty:
                    if latest is not None:
                        self._draw(latest)
                    continue
                if drawn:
                    sys.stderr.write("\r\x1b[K")
                return line

    def _draw(self, latest: Callable[[float], Floats]) -> None:
        assert self._card is not None
        seen = level(latest(_SPAN)[0], self._card.rate, self._mains)
        width = shutil.get_terminal_size().columns - 1
        sys.stderr.write(f"\r\x1b[K{level_line(seen, self._full, width)[:width]}")
        sys.stderr.flush()

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

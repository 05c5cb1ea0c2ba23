"""A run of readings from the bench: a thread that waits for words, and what pages see of it.

What a page sees is one document that grows by a number whenever it changes; a page asks for what
follows the number that it has. A word is said to the question that was open when it was said, so
that a button pressed twice does not answer the next step.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from circuits.errors import AmplifierError, InputError
from diagnose.soundcard.card import Ended

BLANK: Mapping[str, Any] = {
    "phase": "preparing", "at": 0, "words": (), "title": "", "text": "", "error": "", "good": "",
    "cautions": (), "remarks": (), "readings": (),
    "steps": (), "left": (), "step": 0, "failed": False, "asked": "", "level": None,  # of a card
    "heard": (), "fresh": 0,  # of its last take: spectra, and how many readings
    "points": (), "point": 0, "shown": "",  # of a meter
    "typed": "", "problem": "",  # of a question that wants something typed
}
"""What pages see of a run that has not begun: ``phase`` is preparing, listed, step, asked, taking,
point, typed or ended; ``words`` may be said to the question with the number ``at``."""
_log = logging.getLogger(__name__)
STOP = "stop"
"""The word that ends a run, whatever it is at."""
LOOK = 0.25
"""s between two looks at what comes in while a step waits."""
WATCHED = 10.0
"""s since a page asked last, within which somebody is thought to look: a page that looks asks anew
at once, and a browser may be slow."""
FORGOTTEN = 1800.0
"""s without a look after which a run ends: nobody is at the bench any more (judgement)."""
_ENDS = 3.0
"""s that a run may take to end with the server."""


class Run:
    """One run.

    Parameters
    ----------
    sheet : str
        Whose readings are taken.
    kind : str
        What takes them, for pages: ``card`` or ``meter``; ``calibration`` takes none.

    Attributes
    ----------
    ending : Event
        Set once somebody ends it.
    over : bool
        Whether it has ended.
    width : float
        CSS pixels that a picture has on the page that looks.
    typed : str
        What was typed with the last word.
    """

    def __init__(self, sheet: str, kind: str) -> None:
        self.sheet, self.kind = sheet, kind
        self.ending = threading.Event()
        self.over = False
        self.width = 560.0
        self._turn = threading.Condition()
        self._state: dict[str, Any] = {**BLANK, "kind": kind, "sheet": sheet}
        self._number = 0
        self._asked, self._may, self._said = 0, (), ""
        self.typed = ""
        self._looked = time.monotonic()
        self._closing: list[Callable[[], None]] = []
        self._thread = threading.Thread(target=lambda: None)

    _may: tuple[str, ...]

    # ---- for the thread ------------------------------------------------------------------------

    def start(self, body: Callable[[Run], None]) -> None:
        """Begin, in a thread of its own."""
        self._thread = threading.Thread(target=self._walk, args=(body,), daemon=True)
        self._thread.start()

    def tell(self, **news: Any) -> None:
        """Change what pages see."""
        with self._turn:
            self._state |= news
            self._number += 1
            self._turn.notify_all()

    def remark(self, text: str) -> None:
        """Add a remark."""
        with self._turn:
            self.tell(remarks=[*self._state["remarks"], text])

    def on_end(self, act: Callable[[], None]) -> None:
        """Have something done as soon as somebody ends the run, such as a tone made silent."""
        self._closing.append(act)
        if self.ending.is_set():
            act()

    def ask(self, words: tuple[str, ...], **news: Any) -> None:
        """Open a question, of whose answers a page may say one."""
        with self._turn:
            self._asked += 1
            self._may, self._said = words, ""
            self.tell(at=self._asked, words=words, **news)

    def close(self) -> None:
        """Close the question."""
        with self._turn:
            self._may = ()
            self.tell(words=())

    def word(self, seconds: float = 0.0) -> str:
        """What was said to the open question, after so many s at most; empty for nothing yet."""
        with self._turn:
            if not self._said and not self.ending.is_set() and seconds:
                self._turn.wait(seconds)
            word, self._said = self._said, ""
        if not self.ending.is_set() and time.monotonic() - self._looked > FORGOTTEN:
            self.remark("nobody has looked at this page for half an hour, so it was ended")
            self.end()
        return STOP if self.ending.is_set() else word

    def answer(self, meanwhile: Callable[[], None] = lambda: None) -> str:
        """Wait for a word to the open question, then close it.

        Parameters
        ----------
        meanwhile : callable
            Called every `LOOK` s.
        """
        while not (word := self.word(LOOK)):
            meanwhile()
        self.close()
        return word

    @property
    def watched(self) -> bool:
        """Whether a page looks at it."""
        return time.monotonic() - self._looked < WATCHED

    def _walk(self, body: Callable[[Run], None]) -> None:
        try:
            body(self)
        except Ended:
            self.tell(text=self._kept() or "nothing was taken")
        except AmplifierError as error:
            self.tell(error=str(error), text=self._kept())
        except Exception:  # noqa: BLE001  a bug of the thread is told on the page, and logged
            _log.exception("a run of readings broke off")
            self.tell(error="A fault of the program, not of what was done; the terminal where the "
                      "page was started says more.", text=self._kept())
        finally:
            with self._turn:
                self.over = True
                self._may = ()
                self.tell(phase="ended", words=(), level=None)

    def _kept(self) -> str:
        """How many readings are on the sheet, where any are."""
        number = sum(one["kept"] for one in self._state["readings"])
        return f"{number} reading{'s' * (number != 1)} on the sheet, and kept" if number else ""

    # ---- for pages -----------------------------------------------------------------------------

    def look(self, after: int, seconds: float) -> dict[str, Any]:
        """What there is to see, once it has changed since a number, or after so many s."""
        self._looked = time.monotonic()
        with self._turn:
            self._turn.wait_for(lambda: self._number > after, seconds)
            self._looked = time.monotonic()
            return self.now()

    def now(self) -> dict[str, Any]:
        """What there is to see, by one who does not go on looking."""
        with self._turn:
            return {**self._state, "number": self._number}

    def say(self, at: int, word: str, typed: str = "") -> bool:
        """Say a word to a question; whether it was still open and takes such a word.

        Parameters
        ----------
        typed : str
            What was typed with it.
        """
        if word == STOP:
            self.end()
            return True
        with self._turn:
            if at != self._asked or word not in self._may or self._said:
                return False
            self._said, self.typed = word, typed
            self._turn.notify_all()
            return True

    def end(self) -> None:
        """End it; what was taken is on the sheet."""
        self.ending.set()
        for act in self._closing:
            act()
        with self._turn:
            self._turn.notify_all()

    def wait(self, seconds: float) -> None:
        """Wait until it is over."""
        if self._thread.is_alive():
            self._thread.join(seconds)


class Runs:
    """The one run of a server: a bench has one pair of hands."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._run: Run | None = None

    def of(self, sheet: str) -> Run | None:
        """The run of a sheet, the last one where it is over."""
        run = self._run
        return run if run is not None and run.sheet == sheet else None

    @property
    def free(self) -> bool:
        """Whether none goes on."""
        return self._run is None or self._run.over

    @contextmanager
    def between(self) -> Iterator[bool]:
        """While the block runs none begins; whether none goes on."""
        with self._lock:
            yield self.free

    def start(self, run: Run, body: Callable[[Run], None]) -> None:
        """Begin a run.

        Raises
        ------
        InputError
            Where one goes on.
        """
        with self._lock:
            if not self.free:
                assert self._run is not None
                raise InputError("readings are being taken already, for the sheet "
                                 f"{self._run.sheet}", expected="that stopped first")
            if self._run is not None:
                self._run.end()  # good units may still be simulated for it
            self._run = run
            run.start(body)

    def close(self) -> None:
        """End the run, with the server."""
        run = self._run
        if run is not None:
            run.end()
            run.wait(_ENDS)

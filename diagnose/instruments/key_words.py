"""What keys mean while the meter is read, and what a keyboard of any system can do."""

from __future__ import annotations

from types import TracebackType
from typing import Protocol

from diagnose.instruments.session import AGAIN, END, SKIP, TAKE

WORDS = {" ": TAKE, "\r": TAKE, "\n": TAKE, "r": AGAIN, "s": SKIP, "q": END}
"""What each key means; a foot pedal sends one of the first three, or the key for the next page."""
LONGEST_WAIT = 0.2
"""s; so long Ctrl-C may take where the system does not end a wait by it."""


class Keys(Protocol):
    """The keys of standard input, while the block runs."""

    def __enter__(self) -> Keys: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def poll(self) -> str:
        """The next word that waits; empty for none."""

    def wait(self) -> str:
        """The next word."""


def words_of_line(line: str) -> list[str]:
    """What a line of a pipe says, by its first letter; nothing where that means nothing."""
    word = WORDS.get(line.strip().lower()[:1] or " ", "")
    return [word] if word else []


class Waiting:
    """Words that have come and were not asked for yet; `_look` of each system takes what waits."""

    def __init__(self) -> None:
        self._waiting: list[str] = []
        self._over = False

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
        """Take what waits, and wait for it so long."""
        raise NotImplementedError

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

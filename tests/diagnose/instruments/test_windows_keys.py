"""Keys of a console of Windows, by a module in the place of `msvcrt`.

Outside: the documentation of Python's `msvcrt`: `kbhit` says whether a key waits, `getwch` gives
it, and of a key that is no letter first ``\\x00`` or ``\\xe0`` and with the next call its code;
0x51 is that of the next page (common practice). Not tried on Windows.
"""

from __future__ import annotations

import io
import os
import sys
from types import ModuleType

import pytest

from diagnose.instruments import keys
from diagnose.instruments.session import AGAIN, END, SKIP, TAKE
from diagnose.instruments.windows_keys import ConsoleKeys


class Console(io.StringIO):
    """Standard input that is a console."""

    def isatty(self) -> bool:
        return True


class FakeKeys(ModuleType):
    """In the place of `msvcrt`: keys that wait, one after the other."""

    def __init__(self, waiting: str, late: int = 0) -> None:
        super().__init__("msvcrt")
        self.waiting, self.late = list(waiting), late

    def kbhit(self) -> bool:
        self.late -= 1
        return self.late < 0 and bool(self.waiting)

    def getwch(self) -> str:
        return self.waiting.pop(0)


def console(monkeypatch: pytest.MonkeyPatch, waiting: str, late: int = 0) -> ConsoleKeys:
    monkeypatch.setitem(sys.modules, "msvcrt", FakeKeys(waiting, late))
    monkeypatch.setattr(sys, "stdin", Console())
    return ConsoleKeys()


@pytest.mark.parametrize(
    ("pressed", "told"),
    [(" ", TAKE), ("\r", TAKE), ("R", AGAIN), ("s", SKIP), ("q", END), ("\xe0Q", TAKE),
     ("\x00Q", TAKE)],
)
def test_each_key_is_its_word(monkeypatch: pytest.MonkeyPatch, pressed: str, told: str) -> None:
    with console(monkeypatch, pressed) as made:
        assert made.poll() == told
        assert made.poll() == ""


def test_the_code_of_another_key_is_no_letter(monkeypatch: pytest.MonkeyPatch) -> None:
    # the insert key has the code R, down P, and F9 C after a nought
    with console(monkeypatch, "\xe0R\xe0P\x00Cx s") as made:
        assert [made.poll(), made.poll(), made.poll()] == [TAKE, SKIP, ""]


def test_a_key_that_comes_late_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    with console(monkeypatch, "s", late=4) as made:
        assert made.poll() == ""
        assert made.wait() == SKIP


def test_ctrl_c_that_comes_as_a_key_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    with console(monkeypatch, "\x03") as made, pytest.raises(KeyboardInterrupt):
        made.wait()


def test_a_pipe_is_read_line_by_line_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("\nwhat\nskip\nr\n"))
    with ConsoleKeys() as made:
        assert [made.wait() for _ in range(4)] == [TAKE, SKIP, AGAIN, END]
        assert made.poll() == ""


def test_the_system_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "msvcrt", FakeKeys(""))
    monkeypatch.setattr(sys, "stdin", Console())
    monkeypatch.setattr(os, "name", "nt")
    made = keys.keyboard()
    # the rest of a test does not think that it is on Windows
    monkeypatch.undo()
    assert isinstance(made, ConsoleKeys)

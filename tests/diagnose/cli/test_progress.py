"""What a terminal is told while units are simulated: which work, and how many units of how many."""

from __future__ import annotations

import io
import re
import sys

import pytest

from diagnose.cli.progress import shown_on_terminal


class Terminal(io.StringIO):
    """Takes what a terminal would be sent."""

    def isatty(self) -> bool:
        return True


def plain(text: str) -> str:
    """Without the codes that move the cursor and give colours (ECMA-48)."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)


def test_units_done_of_how_many_and_what_is_being_done(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "100")
    with shown_on_terminal() as step:
        assert step is not None
        assert terminal.getvalue() == ""  # nothing before there is something to tell
        step("faults at their sizes", 3, 759)
        step("tolerances of suspects", 12, 12)
    lines = plain(terminal.getvalue()).splitlines()
    assert any(re.match(r"faults at their sizes .* 3 of 759 units", line) for line in lines)
    assert any(re.match(r"tolerances of suspects .* 12 of 12 units", line) for line in lines)


def test_a_file_is_told_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with shown_on_terminal() as step:
        assert step is None

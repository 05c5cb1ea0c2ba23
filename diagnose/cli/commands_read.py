"""The command ``diagnose read``: voltages and resistances from a meter on a lead into a sheet."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.cautions import caution_texts
from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.instruments.connection import VisaLine, found
from diagnose.instruments.key_words import Keys
from diagnose.instruments.keys import keyboard
from diagnose.instruments.meter import FUNCTIONS, Meter
from diagnose.instruments.points import Point, channel_of, empty_points, proposed_points
from diagnose.instruments.session import END, Taken, take_points
from diagnose.sheet.case import Case
from diagnose.sheet.putting import load_sheet, put_and_save, rows
from diagnose.show.text_cautions import cautions_text
from diagnose.show.text_page import Page

if TYPE_CHECKING:
    from faultlib.signature import Stepwise
    from faultlib.simulate import Bench

Proposed = Callable[[Case], Sequence[Reading]]
"""A case → the readings that it wants next, the best first."""
_KEYS = "space or Enter takes, r goes back to the one before, s skips, q ends; Ctrl-C keeps all"
_LIVE = 40
"""Signs of the line that shows what the meter shows."""


class _Terminal:
    """What is shown on standard error while the meter is read."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()

    def point(self, number: int, count: int, point: Point) -> None:
        """The next point."""
        mark = f"  [{point.mark}]" if point.mark else ""
        self.note(f"{number} of {count}: {point.reading.label()}{mark}\n   {point.where}")

    def value(self, point: Point, text: str) -> None:
        """What the meter shows now, on a line that it goes over again."""
        if self._live:
            self._write(f"\r   {text:<{_LIVE}}")

    def took(self, point: Point, text: str) -> None:
        """What was taken."""
        self._write(f"{chr(13) if self._live else ''}   {text or 'nothing':<{_LIVE}}".rstrip()
                    + "  kept\n")

    def note(self, text: str) -> None:
        """What happened besides."""
        self._write(f"{text}\n")

    def _write(self, text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()


def read(values: argparse.Namespace, proposed: Proposed, width: int, colour: bool) -> str:
    """Take the points that a sheet wants.

    Parameters
    ----------
    values : argparse.Namespace
        With ``case``, ``address``, ``channel`` and ``next``.
    proposed : callable
        Asked with ``--next``, or where the sheet has no empty row for a meter.

    Raises
    ------
    InputError
        For a sheet that cannot be filled in, an instrument that does not do, or one that is lost
        on the way; what was taken stands in the sheet.
    """
    path: Path = values.case
    text, case = load_sheet(path)
    channel = channel_of(case, values.channel)
    points = () if values.next else empty_points(text, case.stage, channel, str(path))
    if not points:
        points = proposed_points(case.stage, proposed(case))
    if not points:
        raise InputError(
            f"{path} wants nothing that a multimeter takes at a point",
            expected=f"rows without a value of {' or '.join(FUNCTIONS)}; or add --next")
    if not values.address:
        seen = found()
        raise InputError("which meter is to be read is not said",
                         expected="--from and its address, such as 192.168.1.7:5025"
                         + (f"; these show themselves: {', '.join(seen)}" if seen else ""))
    screen, taken = _Terminal(), Taken()

    def put(point: Point, word: str, over: bool) -> None:
        put_and_save(path, point.reading, word, channel, over)

    with VisaLine(values.address) as line, keyboard() as keys:
        meter = Meter(line, values.address)
        screen.note(f"reading from {meter.name}; {_KEYS}")
        if not _minded(case, points, screen, keys, width, colour):
            taken.ended = True
            return _told(path, taken, len(points))
        try:
            take_points(points, meter, keys, screen, put, taken)
        except KeyboardInterrupt:
            screen.note("")
            screen.note(_told(path, taken, len(points)).rstrip())
            raise
        except InputError as error:
            raise InputError(f"{error.message}; {_count(taken)} in {path}", place=error.place,
                             expected=error.expected) from None
    return _told(path, taken, len(points))


def proposed(case: Case, bench: Bench, progress: Stepwise | None = None) -> list[Reading]:
    """The readings that a case wants next, the best for its effort first.

    Parameters
    ----------
    bench : Bench
        Where they are simulated.
    """
    from diagnose.door.answers import next_readings
    from diagnose.sheet.given import python_text

    told = [dict(one.conditions) for one in next_readings(case, None, False, bench, progress)]
    meant = [one for one in told if one.get("quantity") in FUNCTIONS]
    text = python_text({"stage": case.stage.name, "readings": meant}) if meant else ""
    return [row.reading for row in rows(text, case.stage)] if meant else []


def _minded(
    case: Case, points: Sequence[Point], screen: _Terminal, keys: Keys, width: int,
    colour: bool,
) -> bool:
    """Show what to mind, and wait until somebody has read it; False where nobody goes on."""
    texts = [*caution_texts(case.stage), *dict.fromkeys(p.caution for p in points if p.caution)]
    if not texts:
        return True
    page = Page(width, colour)
    cautions_text(page, list(dict.fromkeys(texts)))
    screen.note(page.text().strip("\n"))
    screen.note("press Enter to begin")
    return keys.wait() != END


def _count(taken: Taken) -> str:
    count = len(taken.values)
    return f"{count} reading{'s are' if count != 1 else ' is'} kept"


def _told(path: Path, taken: Taken, count: int) -> str:
    lines = [f"{_count(taken)} in {path}"]
    if taken.skipped:
        lines.append("skipped: " + ", ".join(p.reading.label() for p in taken.skipped))
    left = count - len(taken.values) - len(taken.skipped)
    if left > 0:
        lines.append(f"{left} left; the same command goes on with these")
    lines.append(f"then: diagnose rank {path}")
    return "\n".join(lines) + "\n"

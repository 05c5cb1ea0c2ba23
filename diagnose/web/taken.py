"""A reading of the bench onto the sheet that is kept, whatever else is being typed there.

It goes into the text of the sheet as the commands put it there. Where a row half typed keeps that
text from being read, the reading gets a row of its own: it is never lost.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from circuits.errors import InputError
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import quoted
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.putting import put, rows
from diagnose.soundcard.asked import in_its_row
from diagnose.soundcard.taken import Taken
from diagnose.web.opened import from_file
from diagnose.web.sheet import Typed
from diagnose.web.shelf import FILE
from diagnose.web.written import written


def with_taken(
    sheet: Typed, change: Callable[[str], str], reading: Reading, value: str, channel: str
) -> Typed:
    """A sheet with one reading more.

    Parameters
    ----------
    change : callable
        The text of a sheet to that with the reading in its row.
    reading : Reading
        What the row of its own says, where that cannot be done.
    value : str
        The same.
    channel : str
        Of a sheet of two channels, which.
    """
    try:
        return from_file(change(written(sheet).text), FILE)
    except InputError:
        return _behind(sheet, reading, value, channel)


def in_both_rows(
    text: str, stage: Stage, one: Taken, channel: str, channels: Sequence[str]
) -> str:
    """The text of a sheet with a reading of a card in its row.

    On the page a row is of both channels. So the one that is still empty on the other side says
    the same of the load, and both stay one row.

    Parameters
    ----------
    channel : str
        Of a sheet of two channels, which; else empty.
    channels : sequence of str
        All of them.
    """
    text = in_its_row(text, stage, one, channel)
    for other in channels:
        there = rows(text, stage, other)
        row = next((r for r in there if r.reading.key() == one.asked.key()), None)
        if other == channel or row is None or not one.beside:
            continue
        empty = not any(r.value for r in there if r.place == row.place)
        if empty and all(r.reading.key() != one.reading.key() for r in there):
            text = put(text, stage, one.asked, "", other, True, one.beside)
    return text


def _behind(sheet: Typed, reading: Reading, value: str, channel: str) -> Typed:
    """The same with the reading as the last row."""
    line = f"{entry_line(reading)[:-1]}{quoted(value)}}}"
    (entry,) = from_file(f"stage: none\nreadings:\n  - {line}\n", FILE).readings
    sides = tuple(value if name == channel else "" for name in sheet.channels) or (value,)
    return replace(sheet, readings=(*sheet.readings, replace(entry, values=sides)))

"""Text files of users: what may be read at all, and how a place in one is shown."""

from __future__ import annotations

import re
import stat
from pathlib import Path

from circuits.errors import InputError, Place

MOST_BYTES = 1_000_000
"""A file of a stage or a sheet has some ten kilobytes; what is longer is something else."""
_LONGEST_LINE = 160
"""Signs of a line that a message shows; beyond, it tells line and column alone."""

LINE_END = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
"""What YAML 1.1, and therefore libyaml, counts as the end of a line."""

UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What YAML does not allow in a file: control characters and halves of pairs."""


def place_in(name: str, row: str, line: int, column: int) -> Place:
    """A place whose line can be printed on a terminal: no control characters, no endless line.

    Parameters
    ----------
    name : str
        The file in messages.
    row : str
        The line.
    line, column : int
        Counted from 1.
    """
    if column > _LONGEST_LINE:
        return Place(name, line, column)
    row = row.replace("\t", " ")[: _LONGEST_LINE + 20]
    if not row.isprintable():
        row = "".join(c if c.isprintable() else "?" for c in row)
    return Place(name, line, column, row)


def place_at(text: str, position: int, name: str) -> Place:
    """The place of a character of a text."""
    before = LINE_END.split(text[:position])
    row = LINE_END.split(text)[len(before) - 1]
    return place_in(name, row, len(before), len(before[-1]) + 1)


def kept_text(path: Path) -> str:
    """The text of a file that the program itself keeps, whatever has come into its place.

    Raises
    ------
    OSError
        For what is no plain file, or too long: a queue or a device would have one read for ever.
    UnicodeDecodeError
        For one that is no text.
    """
    status = path.stat()
    if not stat.S_ISREG(status.st_mode) or status.st_size > MOST_BYTES:
        raise OSError(f"{path} is no text that was kept")
    return path.read_text(encoding="utf-8")


def contents(path: Path, shown: str = "", most: int = MOST_BYTES) -> str:
    """The text of one file, its byte order mark removed.

    Parameters
    ----------
    shown : str
        The file in messages, where that is not its path.
    most : int
        Bytes that it may have.

    Raises
    ------
    InputError
        For a file that is missing, no regular file, too long, unreadable, not UTF-8 or
        not plain text.
    """
    name = shown or str(path)
    here = Place(name)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise InputError("this is a folder", place=here, expected="a file")
        if not stat.S_ISREG(status.st_mode):
            raise InputError("this is not a regular file", place=here, expected="a text file")
        if status.st_size > most:
            raise InputError(f"this file is longer than {most // 1_000_000} MB", place=here,
                             expected="a short file")
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            "there is no such file", place=here, expected="the path of a file"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"this file cannot be read: {reason}", place=here) from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - (raw.rfind(b"\n", 0, error.start) + 1) + 1
        row = raw.split(b"\n")[line - 1].decode("utf-8", "replace").rstrip("\r")
        raise InputError(
            "this byte is not UTF-8",
            place=place_in(name, row, line, column),
            expected="a text file saved as UTF-8",
        ) from None
    bad = UNPRINTABLE.search(text)
    if bad:
        raise InputError(
            f"this character cannot stand in a text file: {bad[0]!r}",
            place=place_at(text, bad.start(), name),
            expected="plain text in UTF-8",
        )
    return text

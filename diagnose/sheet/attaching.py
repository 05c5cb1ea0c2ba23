"""A photo or a trace put beside a sheet and into its list; all else of the sheet stays as typed."""

from __future__ import annotations

import filecmp
import re
from contextlib import suppress
from pathlib import Path

from circuits.errors import InputError, Place
from circuits.spliced import INDENT, Splices, pieces
from circuits.wholefile import write_whole
from circuits.yamlfile import quoted
from diagnose.sheet.attached import KEY, PICTURES, kind_of_file
from diagnose.sheet.putting import load_sheet, save

MOST_BYTES = 40_000_000
"""Bytes of a file that is attached."""


def attach(path: Path, file: Path, words: str = "") -> str:
    """Copy a file beside a sheet and name it there.

    Parameters
    ----------
    words : str
        What it shows.

    Returns
    -------
    str
        The name that it got.

    Raises
    ------
    InputError
        For a file that is none of these, or a sheet that cannot be written.
    """
    suffix = kind_of_file(file.name, Place(str(file)))
    try:
        body = file.read_bytes()
    except OSError as error:
        raise InputError(f"this file cannot be read: {error.strerror}", place=Place(str(file)),
                         expected="a photo or a trace") from None
    if len(body) > MOST_BYTES:
        raise InputError(f"this file has {len(body)} bytes", place=Place(str(file)),
                         expected=f"at most {MOST_BYTES}")
    if suffix in PICTURES and not body.startswith(PICTURES[suffix]):
        raise InputError("this is no picture, whatever its name says", place=Place(str(file)),
                         expected="a photo as JPEG or PNG")
    text, _ = load_sheet(path)
    name, is_new = _name(path.parent, file, suffix)
    try:
        if is_new:
            write_whole(path.parent / name, body)
            (path.parent / name).chmod(file.stat().st_mode & 0o777)
        save(path, _named(text, name, words), text)
    except OSError as error:
        raise InputError(f"{name} cannot be written: {error.strerror}", place=Place(str(path)),
                         expected="room on the disk, and a folder that can be written") from None
    except InputError:
        if is_new:
            with suppress(OSError):
                (path.parent / name).unlink()
        raise
    return name


def _name(folder: Path, file: Path, suffix: str) -> tuple[str, bool]:
    """A name beside the sheet that no other file has, and whether nothing is there yet."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", file.stem).strip("-")[:60] or "file"
    suffix = ".jpg" if suffix == ".jpeg" else suffix
    name, count = f"{stem}{suffix}", 1
    while (folder / name).exists():
        if filecmp.cmp(folder / name, file, shallow=False):
            return name, False
        count += 1
        name = f"{stem}-{count}{suffix}"
    return name, True


def _named(text: str, name: str, words: str) -> str:
    """The text of a sheet with one file more in its list."""
    changed = Splices(text)
    ends = "\r\n" if "\r\n" in text else "\n"
    item = f"{{file: {quoted(name)}, words: {quoted(words)}}}" if words else quoted(name)
    held = next((value for key, value in pieces(text).pairs if key.value == KEY), None)
    if held is None:
        end = len(changed.text)
        changed.put(end, end, f"{KEY}:{ends}{INDENT}- {item}{ends}")
    elif held.items and held.flow:
        changed.put(held.items[-1].stop, held.items[-1].stop, f", {item}")
    elif held.items:
        last = held.items[-1].stop
        found = changed.text.find("\n", last)
        at = len(changed.text) if found < 0 else found + 1
        begin = changed.text.rfind("\n", 0, held.start) + 1
        changed.put(at, at, f"{' ' * (held.start - begin)}- {item}{ends}")
    else:
        changed.put(held.start, held.stop, f"{ends}{INDENT}- {item}")
    return changed.done()

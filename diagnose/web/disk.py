"""Files that are written whole or not at all, and the count of the saves of a folder's text."""

from __future__ import annotations

import json
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from circuits import wholefile
from circuits.errors import AmplifierError
from circuits.textfile import kept_text

STATE = "revision.json"
"""Which revision the text of a folder is, and what marks it."""


class NotKept(AmplifierError):
    """A sheet that the disk did not take."""

    def __init__(self, error: OSError) -> None:
        super().__init__(f"it could not be kept on this machine's disk: {error.strerror}")


def revision_of(folder: Path, text: str) -> int:
    """Which revision a text in a folder is: counts saves, and counts a change by hand as one."""
    mark = sha256(text.encode()).hexdigest()
    try:
        state = json.loads(kept_text(folder / STATE))
        count, seen = int(state["revision"]), str(state["mark"])
    except (OSError, ValueError, KeyError, TypeError):
        count, seen = 0, ""
    if seen == mark:
        return count
    with suppress(NotKept):  # a full disk does not keep one from reading
        _mark(folder, count + 1, mark)
    return count + 1


def write_revision(path: Path, text: str, revision: int) -> None:
    """Keep a text as a revision of the folder that it lies in.

    Raises
    ------
    NotKept
        For a disk that does not take it.
    """
    write_whole(path, text.encode())
    _mark(path.parent, revision, sha256(text.encode()).hexdigest())


def _mark(folder: Path, revision: int, mark: str) -> None:
    write_whole(folder / STATE, json.dumps({"revision": revision, "mark": mark}).encode())


def write_whole(path: Path, body: bytes) -> None:
    """Write a file whole or not at all: a crash or a full disk leaves the old one.

    Raises
    ------
    NotKept
        For a disk that does not take it.
    """
    try:
        wholefile.write_whole(path, body)
    except OSError as error:
        raise NotKept(error) from None

"""What a list of sheets says of each: its name, stage and date, and how far the work on it is."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from circuits.errors import InputError
from circuits.textfile import contents, kept_text
from diagnose.web.disk import STATE
from diagnose.web.opened import from_file
from diagnose.web.sheet import Typed

_STATES = ("being read", "ranked", "repaired")
RANKED = "ranked.json"
"""What the last answer of a sheet said, beside it."""
MOST_TOLD = 200
"""Signs of that."""


@dataclass(frozen=True)
class Label:
    """What a list of sheets says of one.

    Attributes
    ----------
    state : {"being read", "ranked", "repaired"}
        How far the work on it is; empty for a damaged one.
    told : str
        What the last answer said first.
    since : bool
        Whether the sheet was changed after that answer.
    problem : str
        Why it cannot be read.
    """

    name: str
    case: str
    stage: str
    changed: float
    problem: str = ""
    state: str = ""
    told: str = ""
    since: bool = False

    @property
    def when(self) -> str:
        """The time of the last change, of this machine's clock, for people."""
        then = datetime.fromtimestamp(self.changed).astimezone()
        return f"{then.day} {then:%b %Y, %H:%M}"

    @property
    def stamp(self) -> str:
        """The same for programs."""
        return datetime.fromtimestamp(self.changed).astimezone().isoformat(timespec="seconds")


class Labels:
    """Labels of the sheets in folders; each is read anew only when its files were changed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[Path, tuple[tuple[int | str, ...], Label]] = {}

    def of(self, folder: Path, file: str) -> list[Label]:
        """The labels of a folder of sheets, the one changed last first.

        Parameters
        ----------
        file : str
            The name of the case file of a sheet.
        """
        paths = [path for path in folder.glob(f"*/{file}")
                 if not path.parent.name.startswith(("_", "."))]
        found = [self._one(path) for path in paths]
        self._forget(folder, frozenset(paths))
        return sorted((label for label in found if label), key=lambda label: -label.changed)

    def _forget(self, folder: Path, there: frozenset[Path]) -> None:
        """Keep nothing of sheets that are no longer in a folder."""
        with self._lock:
            for path in [one for one in self._known
                         if one.parent.parent == folder and one not in there]:
                del self._known[path]

    def _one(self, path: Path) -> Label | None:
        try:
            about = path.stat()
        except OSError:  # deleted meanwhile
            return None
        told, of = _told(path.parent)
        revision = _number(path.parent / STATE)
        mark = (about.st_mtime_ns, about.st_size, about.st_ino, told, of, revision)
        with self._lock:
            known = self._known.get(path)
        if known is not None and known[0] == mark:
            return known[1]
        label = replace(_read(path, about.st_mtime, told), since=bool(told) and of != revision)
        with self._lock:
            self._known[path] = mark, label
        return label


def _read(path: Path, changed: float, told: str) -> Label:
    name = path.parent.name
    try:
        sheet = from_file(contents(path, path.name), path.name)
    except InputError as error:
        return Label(name, name, "", changed, str(error))
    return Label(name, sheet.case or name, sheet.stage, changed, "", state_of(sheet, told), told)


def state_of(sheet: Typed, told: str) -> str:
    """How far the work on a sheet is."""
    if any(made.part for made in sheet.repaired):
        return _STATES[2]
    return _STATES[1] if told else _STATES[0]


def _told(folder: Path) -> tuple[str, int]:
    """What the last answer said, and of which revision it was."""
    try:
        kept = json.loads(kept_text(folder / RANKED))
        return str(kept["told"])[:MOST_TOLD], int(kept["revision"])
    except (OSError, ValueError, KeyError, TypeError):
        return "", 0


def _number(path: Path) -> int:
    """Which revision a sheet is; 0 where that is not written down yet."""
    try:
        return int(json.loads(kept_text(path))["revision"])
    except (OSError, ValueError, KeyError, TypeError):
        return 0

"""Where stages of one's own are kept, beside the sheets: a folder a stage, as typed, right or not.

The stage file is what the command line reads. Beside it lies what the page had typed last
(`TYPED`), so that a row without a name is not lost either, what an import said (`SAID`), files
of devices that the stage names, and a drawing of one's own with those before it (`ARRANGED`). What
is deleted goes to a bin in the same folder, and back.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from circuits.errors import AmplifierError, InputError
from circuits.leftovers import PART, sweep_parts
from circuits.spliced import Piece, pieces
from circuits.textfile import MOST_BYTES, UNPRINTABLE, contents, kept_text, place_at
from diagnose.web.shelf import (
    DEVICES,
    NotKept,
    Outdated,
    revision_of,
    write_revision,
    write_whole,
)

FOLDER = "_stages"
"""In the folder of sheets; no sheet has such a name."""
STAGE = "stage.yaml"
DRAWING = ".drawing.yaml"
"""How the file of a drawing of one's own ends, after the name of the stage file."""
ARRANGED = "arranged.json"
MEMBER = ".yaml"
"""How the file of a stage in the chain of a unit ends."""
TYPED = "typed.json"
SAID = "import.json"
_BIN = "_bin"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
_MOST_FILES = 20
"""Files beside a stage, which an endless upload would fill."""
_MOST_TYPED = 3 * MOST_BYTES
"""Bytes of what the page had typed: the text, and its table beside."""


@dataclass(frozen=True)
class KeptStage:
    """A stage of one's own as it is kept.

    Attributes
    ----------
    text : str
        Of the stage file, as it was typed.
    typed : mapping or None
        What the page had typed to make it so; None where the file was changed since.
    """

    name: str
    text: str
    revision: int
    folder: Path
    typed: Mapping[str, Any] | None = None

    @property
    def path(self) -> Path:
        """The stage file."""
        return self.folder / STAGE

    @property
    def drawing(self) -> Path:
        """The file of a drawing of one's own, whether or not there is one."""
        return _drawing(self.folder)


@dataclass(frozen=True)
class Arrangement:
    """A drawing of one's own.

    Attributes
    ----------
    text : str
        Of the drawing file; empty where there is none.
    before : tuple of str
        The same before each move that can be undone, the last at the end.
    parts : mapping of part to mapping
        What is known of each part that ever stood on it: see `diagnose.web.arranging`.
    """

    text: str = ""
    before: tuple[str, ...] = ()
    parts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def mark(self) -> str:
        """What tells it from others."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class StageLabel:
    """What a list of stages says of one."""

    name: str
    title: str
    stage: str
    parts: int
    guessed: int
    changed: float


class StageShelf:
    """The stages of one's own beside the sheets of a folder.

    Parameters
    ----------
    sheets : Path
        The folder of sheets.
    """

    def __init__(self, sheets: Path) -> None:
        self.folder = sheets / FOLDER
        self._lock = threading.RLock()

    def labels(self) -> list[StageLabel]:
        """All stages, the one changed last first."""
        return self._labels(self.folder)

    def binned(self) -> list[StageLabel]:
        """Those that were deleted, the last first."""
        return self._labels(self.folder / _BIN)

    def _labels(self, folder: Path) -> list[StageLabel]:
        found = [label_of(path.parent.name, _read(path), path.stat().st_mtime)
                 for path in folder.glob(f"*/{STAGE}") if _NAME.fullmatch(path.parent.name)]
        return sorted(found, key=lambda label: -label.changed)

    def load(self, name: str) -> KeptStage:
        """The stage of that name.

        Raises
        ------
        InputError
            For a name that is none, and for a file that is no text any more.
        """
        folder = self._folder(name)
        with self._lock:
            text = contents(folder / STAGE, STAGE) if (folder / STAGE).stat().st_size else ""
            revision = revision_of(folder, text)
            return KeptStage(name, text, revision, folder, _typed(folder, revision))

    def save(self, name: str, text: str, revision: int, typed: Mapping[str, Any]) -> KeptStage:
        """Keep a stage that was made from a revision.

        Raises
        ------
        Outdated
            When a later one is kept.
        InputError
            For a text that no file may hold.
        """
        _check_text(text)
        with self._lock:
            kept = self.load(name)
            if kept.revision != revision:
                raise Outdated(kept.revision, "stage")
            body = json.dumps({"revision": revision + 1, "typed": typed}).encode()
            if len(body) > _MOST_TYPED:
                raise InputError("this stage is too long", expected=f"at most {MOST_BYTES} bytes")
            write_whole(kept.folder / TYPED, body)
            write_revision(kept.path, text, revision + 1)
            return KeptStage(name, text, revision + 1, kept.folder, typed)

    def add(self, text: str, name: str, files: Mapping[str, bytes] | None = None,
            said: Mapping[str, Any] | None = None) -> KeptStage:
        """Keep a new stage, with the files of devices that it names.

        Parameters
        ----------
        name : str
            What it is to be called like; a few signs make it its own.
        said : mapping, optional
            What an import had to say.

        Raises
        ------
        InputError
            For a text or a file that cannot be kept.
        NotKept
            For a disk that does not take it; nothing of it is left.
        """
        _check_text(text)
        base = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "stage"
        own = f"{base}-{secrets.token_hex(3)}"
        begun = self.folder / f"{PART}{own}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            sweep_parts(self.folder)
            begun.mkdir()
            for given, body in (files or {}).items():
                write_whole(begun / _file_beside(given, files or {}), body)
            if said is not None:
                write_whole(begun / SAID, json.dumps(said).encode())
            write_revision(begun / STAGE, text, 1)
            begun.replace(self.folder / own)
        except OSError as error:
            shutil.rmtree(begun, ignore_errors=True)
            raise NotKept(error) from None
        except AmplifierError:
            shutil.rmtree(begun, ignore_errors=True)
            raise
        return KeptStage(own, text, 1, self.folder / own)

    def copy(self, name: str, text: str | None = None) -> KeptStage:
        """Keep a copy, of another text where one is given, with the same files."""
        kept = self.load(name)
        files = {path.name: path.read_bytes() for path in self.files(name)}
        return self.add(kept.text if text is None else text, name[:-7] or name, files,
                        self.said(name))

    def files(self, name: str) -> list[Path]:
        """Files of devices beside a stage, a drawing of one's own, and the stages of a unit."""
        return sorted(path for path in self._folder(name).iterdir()
                      if path.suffix in (*DEVICES, MEMBER) and path.name != STAGE
                      and not path.name.startswith(".") and path.is_file())

    def put(self, name: str, files: Mapping[str, bytes]) -> None:
        """Put files beside a stage.

        Raises
        ------
        InputError
            For a file that cannot be kept.
        NotKept
            For a disk that does not take it.
        """
        folder = self._folder(name)
        with self._lock:
            there = {path.name for path in self.files(name)} | set(files)
            for given, body in files.items():
                write_whole(folder / _file_beside(given, there), body)

    def said(self, name: str) -> dict[str, Any] | None:
        """What the import of a stage said, if it was imported."""
        try:
            told = json.loads(kept_text(self._folder(name) / SAID))
        except (OSError, ValueError):
            return None
        return told if isinstance(told, dict) else None

    def say(self, name: str, said: Mapping[str, Any]) -> None:
        """Keep what is left of what an import said."""
        with self._lock:
            write_whole(self._folder(name) / SAID, json.dumps(said).encode())

    def arrangement(self, name: str) -> Arrangement:
        """The drawing of one's own of a stage, and those before it."""
        folder = self._folder(name)
        with self._lock:
            text = _read(_drawing(folder))
            try:
                told = json.loads(kept_text(folder / ARRANGED))
                return Arrangement(text, tuple(map(str, told["before"])), dict(told["parts"]))
            except (OSError, ValueError, KeyError, TypeError):
                return Arrangement(text)

    def arrange(self, name: str, mark: str, now: Arrangement) -> None:
        """Keep a drawing of one's own that was made from the one with a mark.

        Raises
        ------
        Outdated
            When another is kept.
        """
        folder = self._folder(name)
        with self._lock:
            if self.arrangement(name).mark != mark:
                raise Outdated(0, "drawing")
            told = {"before": now.before, "parts": now.parts}
            write_whole(folder / ARRANGED, json.dumps(told).encode())
            if now.text:
                write_whole(_drawing(folder), now.text.encode())
            else:
                _drawing(folder).unlink(missing_ok=True)

    def delete(self, name: str) -> None:
        """Put a stage into the bin."""
        self._move(self._folder(name), self.folder / _BIN / name)

    def restore(self, name: str) -> None:
        """Take a stage out of the bin.

        Raises
        ------
        InputError
            When it is not there.
        """
        self._move(self._folder(name, self.folder / _BIN), self.folder / name)

    def _move(self, here: Path, there: Path) -> None:
        try:
            with self._lock:
                there.parent.mkdir(exist_ok=True)
                here.replace(there)
        except OSError as error:
            raise NotKept(error) from None

    def _folder(self, name: str, within: Path | None = None) -> Path:
        folder = (within or self.folder) / name
        if not _NAME.fullmatch(name) or not (folder / STAGE).is_file():
            raise InputError(f"there is no stage {name!r}", expected="one of the list")
        return folder


def _drawing(folder: Path) -> Path:
    """The file of the drawing of one's own, where `circuits.drawing.own_drawing` looks for it."""
    return (folder / STAGE).with_suffix(DRAWING)


def _file_beside(given: str, there: Collection[str]) -> str:
    """The name that a file of devices, a drawing, or a stage of a unit is kept under.

    Parameters
    ----------
    there : collection of str
        All the files that are to lie there: a drawing is that of the stage of a unit where this is
        among them, else of the stage itself.

    Raises
    ------
    InputError
        For a file of another kind, or too many of them.
    """
    member = f"{given.removesuffix(DRAWING)}{MEMBER}"
    if given.endswith(DRAWING) and member not in there:
        return Path(STAGE).stem + DRAWING
    last = Path(re.split(r"[/\\]", given)[-1])
    if last.suffix.lower() not in (*DEVICES, MEMBER) or last.name == STAGE:
        raise InputError(f"{given!r} is no file of devices",
                         expected="a name that ends in " + ", ".join(DEVICES))
    if len(there) > _MOST_FILES:
        raise InputError("these are too many files", expected=f"up to {_MOST_FILES}")
    if given.endswith(DRAWING):
        return last.name
    stem = re.sub(r"[^A-Za-z0-9_.-]+", "-", last.stem).strip("-.")[:60] or "devices"
    return stem + last.suffix.lower()


def label_of(name: str, text: str, changed: float = 0.0) -> StageLabel:
    """What a list says of a stage, however wrong it is."""
    try:
        top = pieces(text)
    except InputError:
        top = Piece(0, 0, "text")

    def word(key: str) -> str:
        found = top.get(key)
        return " ".join(found.value.split()) if found and found.shape == "text" else ""

    parts, guessed = top.get("parts"), top.get("guessed")
    return StageLabel(
        name, word("title") or word("stage") or word("unit") or name, word("stage") or word("unit"),
        len(parts.pairs) if parts else 0,
        sum(len(value.items) for _, value in guessed.pairs) if guessed else 0, changed,
    )


def _read(path: Path) -> str:
    try:
        return kept_text(path)
    except (OSError, UnicodeDecodeError):
        return ""


def _typed(folder: Path, revision: int) -> Mapping[str, Any] | None:
    """What the page had typed, if the file is as it left it."""
    try:
        kept = json.loads(kept_text(folder / TYPED))
    except (OSError, ValueError):
        return None
    fits = isinstance(kept, dict) and kept.get("revision") == revision
    return kept["typed"] if fits and isinstance(kept.get("typed"), dict) else None


def _check_text(text: str) -> None:
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise InputError("this stage is longer than 1 MB", expected="a short file")
    bad = UNPRINTABLE.search(text)
    if bad:
        raise InputError(f"this character cannot stand in a text file: {bad[0]!r}",
                         place=place_at(text, bad.start(), STAGE), expected="plain text")

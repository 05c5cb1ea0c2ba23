"""Where sheets are kept: a folder a sheet, in it the case file and what that names.

Nothing is kept anywhere else. A save states the revision that it was made from; one that was made
from an older revision is refused, so that two tabs do not undo each other's work.
"""

from __future__ import annotations

import filecmp
import json
import re
import secrets
import shutil
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from circuits import yamlfile
from circuits.errors import AmplifierError, InputError
from circuits.leftovers import PART, sweep_parts
from circuits.textfile import MOST_BYTES, kept_text
from diagnose.sheet.folder import VARIABLE as VARIABLE
from diagnose.sheet.folder import default_shelf as default_shelf
from diagnose.web.beside import (
    AWAY,
    BESIDE,
    PHOTOS,
    RECORDINGS,
    SHEET,
    SWEEPS,
    kept_name,
    sweep_away,
)
from diagnose.web.beside import DEVICES as DEVICES  # also of who has it from here
from diagnose.web.checked import keep_inside
from diagnose.web.disk import NotKept as NotKept
from diagnose.web.disk import revision_of as revision_of
from diagnose.web.disk import write_revision as write_revision
from diagnose.web.disk import write_whole as write_whole
from diagnose.web.guard import MOST_RECORDING
from diagnose.web.labels import MOST_TOLD, Label, Labels
from diagnose.web.labels import RANKED as _RANKED
from diagnose.web.opened import from_file
from diagnose.web.sheet import Typed
from diagnose.web.written import written

FILE = SHEET
_BIN = "_bin"
"""Where sheets go that are deleted; no sheet has such a name."""
_FROM = "from.json"
"""Which stage of one's own lies beside a sheet."""
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
_MOST_FILES = 50
"""Files in the folder of one sheet, which an endless upload would fill."""


class Outdated(AmplifierError):
    """A save that was made from an older revision than the one that is kept."""

    def __init__(self, revision: int, what: str = "sheet") -> None:
        super().__init__(f"this {what} was changed elsewhere since it was opened here")
        self.revision = revision


@dataclass(frozen=True)
class Kept:
    """A sheet as it is kept."""

    name: str
    sheet: Typed
    revision: int
    folder: Path

    @property
    def path(self) -> Path:
        """The case file."""
        return self.folder / FILE


class Shelf:
    """The sheets of one folder.

    Parameters
    ----------
    folder : Path
        Made when it is missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.RLock()
        self._labels = Labels()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{folder} cannot be made: {error.strerror}",
                             expected=f"a folder that can be written, in {VARIABLE}"
                             ) from None
        sweep_parts(folder)
        sweep_away(folder)

    def labels(self) -> list[Label]:
        """All sheets, the one changed last first."""
        return self._labels.of(self.folder, FILE)

    def binned(self) -> list[Label]:
        """Those that were deleted, the one changed last first."""
        return self._labels.of(self.folder / _BIN, FILE)

    def delete(self, name: str) -> None:
        """Put a sheet into the bin, with all that lies beside it."""
        self._move(self._folder(name), self.folder / _BIN / name)

    def restore(self, name: str) -> None:
        """Take a sheet out of the bin.

        Raises
        ------
        InputError
            When it is not there.
        """
        self._move(self._folder(name, self.folder / _BIN), self.folder / name)

    def note_ranked(self, name: str, revision: int, told: str) -> None:
        """Note that a revision was ranked, and what the answer said first, for the list."""
        noted = json.dumps({"revision": revision, "told": told[:MOST_TOLD]})
        write_whole(self._folder(name) / _RANKED, noted.encode())

    def _move(self, here: Path, there: Path) -> None:
        try:
            with self._lock:
                there.parent.mkdir(exist_ok=True)
                here.replace(there)
        except OSError as error:
            raise NotKept(error) from None

    def load(self, name: str) -> Kept:
        """The sheet of that name.

        Raises
        ------
        InputError
            For a name that is none, and for a file that was damaged by hand.
        """
        folder = self._folder(name)
        with self._lock:
            text = yamlfile_text(folder / FILE)
            return Kept(name, from_file(text, FILE), revision_of(folder, text), folder)

    def revision(self, name: str) -> int:
        """Which revision of a sheet is kept."""
        folder = self._folder(name)
        with self._lock:
            return revision_of(folder, yamlfile_text(folder / FILE))

    def save(self, name: str, sheet: Typed, revision: int) -> Kept:
        """Keep a sheet that was made from a revision.

        Raises
        ------
        Outdated
            When a later one is kept.
        """
        with self._lock:
            kept = self.load(name)
            if kept.revision != revision:
                raise Outdated(kept.revision)
            sheet = replace(sheet, head=kept.sheet.head, extra=kept.sheet.extra)
            self._write(kept.folder, sheet, revision)
            return Kept(name, sheet, revision + 1, kept.folder)

    def change(self, name: str, sheet: Typed) -> Kept:
        """Keep a sheet that the program itself made from the one that is kept, under a lock."""
        with self._lock:
            kept = self.load(name)
            self._write(kept.folder, sheet, kept.revision)
            return Kept(name, sheet, kept.revision + 1, kept.folder)

    def amend(self, name: str, make: Callable[[Typed], Typed]) -> Kept:
        """Keep what is made of the sheet as it is, which nobody changes meanwhile."""
        with self._lock:
            return self.change(name, make(self.load(name).sheet))

    def note(self, name: str, make: Callable[[Typed], Typed]) -> None:
        """Keep what is changed of the sections that the page has no fields for.

        It stays the same revision: no page has anything to take over.
        """
        with self._lock:
            kept = self.load(name)
            self._write(kept.folder, make(kept.sheet), kept.revision - 1)

    def rename(self, name: str, case: str) -> Kept:
        """Call a sheet otherwise."""
        with self._lock:
            return self.change(name, replace(self.load(name).sheet, case=case))

    def add(self, sheet: Typed, files: Mapping[str, bytes] | None = None) -> Kept:
        """Keep a new sheet, with the files that it names.

        Raises
        ------
        InputError
            For a file that cannot be kept, or one that leads outside.
        NotKept
            For a disk that does not take it; nothing of it is left.
        """
        base = re.sub(r"[^a-z0-9]+", "-", (sheet.case or sheet.stage).lower()).strip("-")[:40]
        name = f"{base or 'sheet'}-{secrets.token_hex(3)}"
        begun = self.folder / f"{PART}{name}"
        try:
            begun.mkdir()
            for given, body in (files or {}).items():
                self._keep(begun, given, body, BESIDE)
            keep_inside(yamlfile.tree(written(sheet).text, FILE), begun)
            with self._lock:
                self._write(begun, sheet, 0)
                begun.replace(self.folder / name)
        except OSError as error:
            shutil.rmtree(begun, ignore_errors=True)
            raise NotKept(error) from None
        except AmplifierError:
            shutil.rmtree(begun, ignore_errors=True)
            raise
        return Kept(name, sheet, 1, self.folder / name)

    def copy(self, name: str, sheet: Typed) -> Kept:
        """Keep a sheet beside the one that it was made from, with the same files."""
        kept = self.load(name)
        files = {path.name: path.read_bytes() for path in self.files(name)}
        sheet = replace(sheet, head=kept.sheet.head, extra=kept.sheet.extra,
                        case=f"{sheet.case or name} (copy)")
        made, stage = self.add(sheet, files), self.linked(name)
        if stage:
            self.link(made.name, stage)
        return made

    def link(self, name: str, stage: str) -> None:
        """Note which stage of one's own the stage beside a sheet was taken from."""
        write_whole(self._folder(name) / _FROM, json.dumps({"stage": stage}).encode())

    def linked(self, name: str) -> str:
        """The stage of one's own that the one beside a sheet was taken from; empty for none."""
        try:
            told = json.loads(kept_text(self._folder(name) / _FROM))
            return str(told["stage"])
        except (OSError, ValueError, KeyError, TypeError):
            return ""

    def take_stage(self, name: str, files: Mapping[str, bytes]) -> Kept:
        """Put files of a stage beside a sheet in place of those that are there: a new revision."""
        return self.put(name, files)

    def put(self, name: str, files: Mapping[str, bytes]) -> Kept:
        """Put files beside a sheet, in place of those of the same names: a new revision.

        Raises
        ------
        InputError
            For a file that cannot be kept.
        """
        with self._lock:
            folder = self._folder(name)
            for given, body in files.items():
                self._keep(folder, given, body, BESIDE)
            return self.change(name, self.load(name).sheet)

    def put_away(self, name: str, file: str) -> None:
        """Take a recording away; it can be had back for a day.

        Raises
        ------
        InputError
            For what is no recording beside the sheet.
        """
        self._rename(name, file, file, AWAY + file)

    def bring_back(self, name: str, file: str) -> None:
        """Have a recording back. Raises as `put_away`."""
        self._rename(name, file, AWAY + file, file)

    def _rename(self, name: str, file: str, here: str, there: str) -> None:
        folder = self._folder(name)
        with self._lock:
            if kept_name(file, RECORDINGS) != file or not (folder / here).is_file():
                raise InputError(f"{file!r} is not beside this sheet", expected="a recording")
            (folder / here).replace(folder / there)

    def keep_sweep(self, name: str, given: str, body: bytes) -> str:
        """Keep a sweep beside a sheet; the name that it got.

        Raises
        ------
        InputError
            For a file that is too long or of another kind.
        """
        with self._lock:
            return self._keep(self._folder(name), given, body, SWEEPS)

    def keep_photo(self, name: str, given: str, body: bytes) -> str:
        """Keep a photo beside a sheet; the name that it got. Raises as `keep_sweep`."""
        with self._lock:
            return self._keep(self._folder(name), given, body, PHOTOS)

    def keep_recording(self, name: str, given: str, path: Path) -> str:
        """Keep a recording beside a sheet, from where it was written; the name that it got.

        Raises
        ------
        InputError
            For a file of another kind.
        NotKept
            For a disk that does not take it.
        """
        with self._lock:
            folder = self._folder(name)
            wanted, count = kept_name(given, RECORDINGS), 1
            stem, suffix = Path(wanted).stem, Path(wanted).suffix
            while (folder / wanted).exists():
                if filecmp.cmp(folder / wanted, path, shallow=False):
                    return wanted
                count += 1
                wanted = f"{stem}-{count}{suffix}"
            _check_room(folder)
            trial = folder / f"{PART}{wanted}"
            try:
                shutil.copyfile(path, trial)
                trial.replace(folder / wanted)
            except OSError as error:
                trial.unlink(missing_ok=True)
                raise NotKept(error) from None
            return wanted

    def files(self, name: str) -> list[Path]:
        """What lies beside a sheet: sweeps, recordings, photos, its own stage with its drawing."""
        folder = self._folder(name)
        return sorted(
            path for path in folder.iterdir()
            if path.suffix in BESIDE and path.name != FILE and not path.name.startswith(".")
            and path.is_file()
        )

    def _folder(self, name: str, within: Path | None = None) -> Path:
        folder = (within or self.folder) / name
        if not _NAME.fullmatch(name) or not (folder / FILE).is_file():
            raise InputError(f"there is no sheet {name!r}", expected="one of the list")
        return folder

    def _keep(self, folder: Path, given: str, body: bytes, suffixes: tuple[str, ...]) -> str:
        name = kept_name(given, suffixes)
        stem, suffix = Path(name).stem, Path(name).suffix
        most = MOST_RECORDING if suffix in RECORDINGS else MOST_BYTES
        if len(body) > most:
            raise InputError(f"{given!r} has {len(body)} bytes", expected=f"at most {most}")
        _check_room(folder)
        if suffix in (*SWEEPS, *PHOTOS):
            count = 1
            while (folder / name).exists() and (folder / name).read_bytes() != body:
                count += 1
                name = f"{stem}-{count}{suffix}"
        write_whole(folder / name, body)
        return name

    def _write(self, folder: Path, sheet: Typed, revision: int) -> None:
        """Keep the case file and count the save; what could not be opened again is refused."""
        text = written(sheet).text
        if len(text.encode()) > MOST_BYTES:
            raise InputError("this sheet is longer than 1 MB", expected="a shorter one")
        from_file(text, FILE)
        write_revision(folder / FILE, text, revision + 1)


def _check_room(folder: Path) -> None:
    if len(list(folder.iterdir())) > _MOST_FILES:
        raise InputError("this sheet has too many files", expected=f"up to {_MOST_FILES}")


def yamlfile_text(path: Path) -> str:
    """The text of a case file that a user may have touched."""
    from circuits.textfile import contents

    return contents(path, path.name)

"""Folders that last as long as a process, and the removal of those whose process was killed.

A folder is named after this project, the machine and the process, so that whoever starts next
knows whose it is: a process that was killed tidies nothing up.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from circuits.errors import InputError

PART = ".part-"
"""What the name of a file begins with that is being written, before it is renamed into place."""
_PROJECT = "amplifier-fault-diagnosis"
_STALE = 60.0
"""s: no file takes as long to write as this."""


def own_folder(kind: str) -> Path:
    """A new folder of this process among the temporary files.

    Raises
    ------
    InputError
        Where none can be made, as on a full disk.
    """
    try:
        return Path(tempfile.mkdtemp(prefix=f"{_PROJECT}-{kind}-{_machine()}-{os.getpid()}-"))
    except OSError as error:
        raise InputError(
            f"no temporary folder can be made: {error.strerror}",
            expected="room on the disk, or a folder with room in TMPDIR",
        ) from None


@contextmanager
def passing_folder(kind: str) -> Iterator[Path]:
    """A new folder that is gone after the block."""
    folder = own_folder(kind)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep_folders() -> None:
    """Remove the folders of processes of this machine that are no more."""
    if os.name != "posix":  # elsewhere signal 0 is not a mere question
        return
    name = re.compile(rf"{_PROJECT}-[a-z]+-{re.escape(_machine())}-([0-9]+)-[^-]+")
    with suppress(OSError):
        for path in Path(tempfile.gettempdir()).iterdir():
            match = name.fullmatch(path.name)
            if match and not _alive(int(match[1])):
                shutil.rmtree(path, ignore_errors=True)


def sweep_parts(folder: Path, depth: str = "*") -> None:
    """Remove files and folders that were begun long ago and never finished.

    Parameters
    ----------
    folder : Path
    depth : str
        Pattern of the folders within it that are looked through.
    """
    before = time.time() - _STALE
    with suppress(OSError):
        for path in [*folder.glob(f"{PART}*"), *folder.glob(f"{depth}/{PART}*")]:
            with suppress(OSError):
                if path.lstat().st_mtime > before:
                    continue
                if path.is_dir() and not path.is_symlink():
                    shutil.rmtree(path, ignore_errors=True)
                else:
                    path.unlink()


def _machine() -> str:
    import socket  # imported here: only folders have the machine's name

    return re.sub(r"[^A-Za-z0-9]", "", socket.gethostname()) or "here"


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True  # another user's
    return True

"""Files that are written whole or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
from contextlib import suppress
from pathlib import Path

from circuits.leftovers import PART


def write_whole(path: Path, body: bytes) -> None:
    """Write a file whole or not at all: a crash or a full disk leaves the old one.

    A file that was there keeps who may read it; of a link, what it leads to is written.

    Raises
    ------
    OSError
        For a disk that does not take it, of which nothing is left, and for a place where
        something else is than a plain file.
    """
    try:
        path = path.resolve()
    except RuntimeError:  # Python 3.11 and 3.12 say so of links that lead to each other
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path)) from None
    if path.exists() and not path.is_file():  # a device or a queue that a link leads to stays
        raise OSError(errno.EINVAL, "what is there is no plain file", str(path))
    trial = ""
    try:
        handle, trial = tempfile.mkstemp(dir=path.parent, prefix=PART)
        with os.fdopen(handle, "wb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileNotFoundError):
            Path(trial).chmod(path.stat().st_mode & 0o777)
        Path(trial).replace(path)
    except OSError:
        if trial:
            Path(trial).unlink(missing_ok=True)
        raise

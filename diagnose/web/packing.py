"""A sheet with all that lies beside it as one file, and such a file taken apart again."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from circuits.errors import InputError
from diagnose.web.guard import MOST_RECORDING

PACKED = ".zip"
_MOST_FILES = 60
"""Files in one that is opened: a sheet has no more beside it."""
_MOST_BYTES = 2 * MOST_RECORDING
"""Bytes of all of them unpacked; two long recordings."""
_SOUND = (".wav", ".flac")
"""What is not squeezed again: it takes long and saves little."""
_FOREIGN = ("__MACOSX/",)
"""What some packers put in of their own."""


def packed(name: str, text: bytes, beside: Iterable[Path]) -> bytes:
    """A folder with the case file, and with the sweeps, recordings, stage and drawing beside it.

    Parameters
    ----------
    name : str
        Of the folder and the case file.
    text : bytes
        Of the case file.
    """
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(f"{name}/{name}.yaml", text)
        for path in beside:
            squeezed = zipfile.ZIP_STORED if path.suffix in _SOUND else zipfile.ZIP_DEFLATED
            archive.write(path, f"{name}/{path.name}", squeezed)
    return made.getvalue()


def unpacked(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Files by their names without folders, those that are packed taken apart.

    Raises
    ------
    InputError
        For one that cannot be taken apart, is too large, or has two files of one name.
    """
    found: dict[str, bytes] = {}
    for given, body in files.items():
        inside = _inside(given, body) if given.lower().endswith(PACKED) else {given: body}
        for name, content in inside.items():
            if found.get(name, content) != content:
                raise InputError(f"two of these files are called {name!r}",
                                 expected="files of different names")
            found[name] = content
    return found


def _inside(given: str, body: bytes) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            members = [one for one in archive.infolist() if _wanted(one)]
            if len(members) > _MOST_FILES:
                raise InputError(f"{given} has {len(members)} files",
                                 expected=f"up to {_MOST_FILES}")
            # what an entry says of its size is all that is read of it
            if sum(one.file_size for one in members) > _MOST_BYTES:
                raise InputError(f"{given} is too large unpacked",
                                 expected=f"up to {_MOST_BYTES >> 20} MB")
            for one in members:
                name = Path(one.filename.replace("\\", "/")).name
                if name in found:
                    raise InputError(f"{given} has two files called {name!r}",
                                     expected="files of different names")
                found[name] = archive.read(one)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, ValueError) as error:
        # a damaged one, one with a password, one that was squeezed in a way of its own
        raise InputError(f"{given} cannot be unpacked: {error}",
                         expected="a packed sheet as the page saves it") from None
    return found


def _wanted(one: zipfile.ZipInfo) -> bool:
    name = one.filename.replace("\\", "/")
    return not (one.is_dir() or name.startswith(_FOREIGN) or Path(name).name.startswith("."))

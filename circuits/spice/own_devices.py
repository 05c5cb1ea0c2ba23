"""The user's own devices where a stage or a sheet names them: a file, a folder, lines in place."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from circuits.device import Device, Own
from circuits.errors import InputError
from circuits.spice.library import Library, library
from circuits.yamlfile import Text

SUFFIXES = (".lib", ".mod", ".model", ".sub")
"""How files of models end, of which a folder is searched (common practice)."""


def own_devices(written: Text, folder: Path, whose: str = "stage") -> Own:
    """What looks a device up by name and kind.

    Parameters
    ----------
    written : Text
        The name of a file or folder inside ``folder``, or lines of `.model` and `.subckt`.
    folder : Path
        Where the stage file or sheet lies.
    whose : str
        Which of them, for the message.

    Raises
    ------
    InputError
        For a file that is not there, leads out of the folder or cannot be read; later, where a
        device does not fit the kind of part, or stands in two files of a folder.
    """
    if "\n" in written.value:
        return Library(written.value, f"{written.place.file} (devices)").device
    home, name = folder.resolve(), written.value.strip()
    try:
        path = (home / name).resolve()
        inside = path.is_relative_to(home) and path.exists()
    except (OSError, ValueError, RuntimeError):
        inside = False
    if not inside:
        raise InputError(
            f"there is no file {name!r} in the folder of this {whose}",
            place=written.place,
            expected="a file of .model and .subckt lines beside it, or a folder of such files",
        )
    if not path.is_dir():
        return library(path).device
    files = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES)
    if not files:
        raise InputError(f"there are no models in the folder {name!r}", place=written.place,
                         expected=f"files that end in {', '.join(SUFFIXES)}")
    return _of_several([library(file) for file in files])


def _of_several(libraries: Iterable[Library]) -> Own:
    """Looks a name up in all of them: twice the same would be a guess."""
    kept = tuple(libraries)

    def device(name: str, part_kind: str) -> Device | None:
        found = [one for one in kept if name.lower() in map(str.lower, one.names())]
        if len(found) > 1:
            files = " and ".join(one.name for one in found)
            raise InputError(f"device {name!r} stands in {files}", expected="it in one of them")
        return found[0].device(name, part_kind) if found else None

    return device

"""What may lie beside a sheet, and what it is called there."""

from __future__ import annotations

import re
import time
from contextlib import suppress
from pathlib import Path

from circuits.errors import InputError
from circuits.spice.own_devices import SUFFIXES

SHEET = "sheet.yaml"
"""The case file itself."""
SWEEPS = (".csv", ".txt", ".tsv")
RECORDINGS = (".wav", ".flac")
PHOTOS = (".jpg", ".png")
DEVICES = (*SUFFIXES, ".cir")
"""Files of devices of one's own, which a stage names."""
BESIDE = (*SWEEPS, *RECORDINGS, *PHOTOS, *DEVICES, ".yaml", ".yml")
"""Ends of the names of what may lie beside a sheet."""
AWAY = ".away-"
"""How the name of a recording begins that was taken away."""
_DAY = 86400.0
"""Seconds for which it can be had back."""


def sweep_away(folder: Path) -> None:
    """Remove the recordings beside the sheets of a folder that were taken away a day ago."""
    for path in folder.glob(f"*/{AWAY}*"):
        with suppress(OSError):  # another server does the same
            if time.time() - path.stat().st_ctime > _DAY:
                path.unlink()


def kept_name(given: str, suffixes: tuple[str, ...] = BESIDE) -> str:
    """The name that a file is kept under: without folders, and of plain signs only.

    Raises
    ------
    InputError
        For a file of another kind, and for one with the name of the sheet itself.
    """
    last = Path(re.split(r"[/\\]", given)[-1])
    stem, suffix = last.stem, last.suffix.lower()
    if suffix not in suffixes:
        raise InputError(f"{given!r} is no file of a sheet",
                         expected="a name that ends in " + ", ".join(suffixes))
    drawn = ".drawing" if suffix in (".yaml", ".yml") and stem.endswith(".drawing") else ""
    stem = stem.removesuffix(drawn)
    stem = (re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-")[:60] or "file") + drawn
    if stem + suffix == SHEET:
        raise InputError(f"{given!r} has the name of the sheet itself", expected="another name")
    return stem + suffix

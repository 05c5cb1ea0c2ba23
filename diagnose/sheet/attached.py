"""Photos and traces that belong to a sheet: they lie beside it, are shown, and are never weighed.

``photo: meter.jpg`` beside a reading names a picture of it; ``attached:`` of the sheet names other
files, each alone or with its words: ``[edge.csv, {file: board.jpg, words: R12 is burnt}]``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError, Place
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import Items, Mapping, Node, Text
from diagnose.sheet import entry as sheet
from diagnose.sheet.sections import members
from diagnose.sheet.sweep_file import inside

KEY = "attached"
"""The word of a case file for its list."""
PICTURES = {".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff", ".png": b"\x89PNG\r\n\x1a\n"}
"""Ends of the names of photos, each with what such a file begins with."""
TRACES = (".csv", ".txt", ".tsv")
"""Ends of the names of traces and sweeps."""


@dataclass(frozen=True)
class Attached:
    """One file beside the sheet.

    Attributes
    ----------
    file : str
        As the sheet names it, from its own folder.
    words : str
        What it shows; of the photo of a reading, the reading.
    """

    file: str
    words: str

    @property
    def is_picture(self) -> bool:
        """Whether it is a photo; else it is a trace."""
        return Path(self.file).suffix.lower() in PICTURES


def read_attached(top: Mapping, stage: Stage, folder: Path) -> tuple[Attached, ...]:
    """What is attached to a case: photos of its readings, then what its list names.

    Parameters
    ----------
    top : Mapping
        The case file; its readings were read before.
    folder : Path
        Which nothing may lead out of.

    Raises
    ------
    InputError
        With the place. A file that is missing is no mistake: it may lie on another machine.
    """
    found = [Attached(photo, words) for photo, words in _photos(top, stage, folder)]
    for item in members(top.get(KEY), KEY):
        words = ""
        node = item
        if isinstance(item, Mapping):
            entry = yamlfile.mapping(item, "an attached file", ("file", "words"), ("file",))
            node = entry.entries["file"]
            said = entry.get("words")
            words = yamlfile.text(said, "its words") if said is not None else ""
        name = yamlfile.scalar(node, "a file")
        inside(name, folder)
        kind_of_file(name.value.strip(), name.place)
        found.append(Attached(name.value.strip(), words))
    return tuple(dict.fromkeys(found))


def _photos(top: Mapping, stage: Stage, folder: Path) -> Iterator[tuple[str, str]]:
    for name, listed in _lists(top):
        if not isinstance(listed, Items):
            continue
        for item in listed.items:
            photo = item.get("photo") if isinstance(item, Mapping) else None
            if not isinstance(photo, Text) or photo.empty:
                continue
            inside(photo, folder)
            kind_of_file(photo.value.strip(), photo.place)
            label = _label(item, stage)
            yield photo.value.strip(), f"{label}, {name}" if name else label


def _lists(top: Mapping) -> Iterator[tuple[str, Node | None]]:
    yield "", top.get("readings")
    both = top.get("channels")
    if isinstance(both, Mapping):
        for name in both.entries:
            side = both.get(name)
            yield name, side.get("readings") if isinstance(side, Mapping) else None


def _label(item: Node, stage: Stage) -> str:
    entry, quantity = sheet.quantity_of(item, "a reading")
    value = entry.get("value")
    if any(key in entry.keys for key in ("points", "file")):
        return Reading(quantity).label()
    label = sheet.conditions(entry, quantity, stage).label()
    return f"{label}: {value.value}" if isinstance(value, Text) and not value.empty else label


def kind_of_file(name: str, place: Place | None = None) -> str:
    """The end of the name of a file that may be attached.

    Raises
    ------
    InputError
        For another.
    """
    suffix = Path(name).suffix.lower()
    if suffix not in (*PICTURES, *TRACES):
        raise InputError(f"{name!r} is neither a photo nor a trace", place=place,
                         expected="a name that ends in " + ", ".join((*PICTURES, *TRACES)))
    return suffix

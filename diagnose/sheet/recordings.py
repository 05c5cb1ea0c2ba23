"""The recordings that a sheet names, so that its plots and its report show what was heard.

``recordings: [{file: hall-tone.wav, full scale: 1 V}]``. They are looked at and not weighed: what
was read from them stands among the readings. One that has gone is no mistake of the sheet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.yamlfile import Node
from diagnose.sheet.sections import members
from diagnose.sheet.sweep_file import inside

WORD = "recordings"
"""Of the section."""
KINDS = (".wav", ".flac")
"""How the names of recordings end."""
_KEYS = ("file", "full scale", "signal", "driven", "about")


@dataclass(frozen=True)
class Recorded:
    """One recording.

    Attributes
    ----------
    file : str
        From the folder of the sheet.
    full_scale : float or None
        V RMS of a sine that just reaches digital full scale.
    signal, driven : str
        As ``diagnose measure`` takes them; empty for whatever it looks like.
    about : str
        What it is of, in the words of whoever took it.
    """

    file: str
    full_scale: float | None = None
    signal: str = ""
    driven: str = ""
    about: str = ""

    @property
    def title(self) -> str:
        """What its pictures are called."""
        return self.about or Path(self.file).name


def read_recordings(node: Node | None, folder: Path) -> tuple[Recorded, ...]:
    """The recordings of a case file.

    Raises
    ------
    InputError
        With the place.
    """
    return tuple(_read(item, folder) for item in members(node, WORD))


def _read(node: Node, folder: Path) -> Recorded:
    entry = yamlfile.mapping(node, "a recording", _KEYS, ("file",))
    file = yamlfile.scalar(entry.entries["file"], "a recording")
    if not file.value.strip().lower().endswith(KINDS):
        raise InputError(f"{file.value!r} is no recording", place=file.place,
                         expected="a name that ends in " + " or ".join(KINDS))
    inside(file, folder)
    volts = entry.get("full scale")
    words = {key: yamlfile.text(inner, f"the recording's {key}")
             for key in _KEYS[2:] if (inner := entry.get(key)) is not None}
    return Recorded(
        file.value.strip(),
        yamlfile.number(volts, "full scale", "V") if volts is not None else None,
        words.get("signal", "").replace("-", " "), words.get("driven", ""), words.get("about", ""),
    )


def recording_line(made: Recorded, full_scale: str = "") -> str:
    """One recording as a line of that section; `full_scale` in the words that were typed."""
    told = {"file": made.file, "full scale": full_scale, "signal": made.signal,
            "driven": made.driven, "about": made.about}
    pairs = ", ".join(f"{key}: {yamlfile.quoted(text)}" for key, text in told.items() if text)
    return f"  - {{{pairs}}}"


_SECTION = re.compile(r"^recordings:[ \t]*\n((?:[ \t]+.*\n?|\n)*)", re.MULTILINE)
"""The section where it stands a line each, as `with_recording` writes it."""


def with_recording(text: str, line: str, file: str) -> str:
    """Sections of a sheet with one more recording; one of that file is told anew.

    Parameters
    ----------
    text : str
        Sections as they stand, each beginning in the first column.
    line : str
        Of `recording_line`.
    file : str
        What it is of.
    """
    found = _SECTION.search(text)
    if found is None:
        kept = text.rstrip()
        return "\n".join(filter(None, (kept, f"{WORD}:", line)))
    named = re.compile(rf"file: [\"']?{re.escape(file)}[\"']?[,}}]")
    lines = [one for one in found[1].splitlines() if one.strip() and not named.search(one)]
    section = "\n".join([f"{WORD}:", *lines, line])
    return (text[: found.start()] + section + "\n" + text[found.end():]).rstrip()

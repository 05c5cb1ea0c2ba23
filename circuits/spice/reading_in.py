"""The text of a netlist's file, in the encodings that writers of netlists use."""

from __future__ import annotations

from pathlib import Path

from circuits.errors import InputError, Place
from circuits.textfile import MOST_BYTES, contents

_MARK = "\N{BYTE ORDER MARK}"


def text_of(path: Path) -> str:
    """The text of a netlist: UTF-8, or of one byte a sign as older editors write it (Latin-1).

    Raises
    ------
    InputError
        For what is no text file, or too long.
    """
    try:
        return contents(path)
    except InputError as error:
        if "UTF-8" not in error.message:
            raise
    raw = path.read_bytes()[: MOST_BYTES + 1]
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return raw.decode("utf-16").removeprefix(_MARK)
        except UnicodeDecodeError:
            raise InputError("this file is not text", place=Place(str(path)),
                             expected="a netlist saved as UTF-8") from None
    return raw.decode("latin-1")

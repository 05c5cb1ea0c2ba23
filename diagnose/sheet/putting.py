"""Readings put into the text of a sheet as they are taken; all else in it stays as it was typed.

The row of the reading gets the value where it has none; a reading without a row gets one behind
the others. Comments, order and everything else of the file stay, to the character.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError, Place
from circuits.reading import Reading
from circuits.spliced import INDENT, Piece, Splices, Wanted, pieces
from circuits.stage import Stage
from circuits.textfile import contents
from circuits.wholefile import write_whole
from circuits.yamlfile import Mapping, Node, Text, quoted
from diagnose.sheet import entry as sheet
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.case import Case, read_case
from diagnose.sheet.csv_sheet import CSV
from diagnose.sheet.readings import points_of


@dataclass(frozen=True)
class Row:
    """One row of a sheet that holds a single value, or will; or one point of a row of several.

    Attributes
    ----------
    reading : Reading
        By what stands in the row itself.
    value : str
        As it stands; empty where nothing was read yet.
    place : int
        Which row of the list it is, from 0.
    point : int
        Which of its points; -1 of a row with a single value.
    """

    reading: Reading
    value: str
    place: int
    point: int = -1


def load_sheet(path: Path) -> tuple[str, Case]:
    """The text of a sheet that readings can be put into, and its case.

    Raises
    ------
    InputError
        For a file that is no sheet, or a table, which is filled in by hand.
    """
    if path.suffix.lower() in CSV:
        raise InputError("readings are put into a sheet as YAML, and this is a table",
                         place=Place(str(path)),
                         expected="a sheet of diagnose sheet STAGE -o FILE.yaml")
    text = contents(path)
    return text, read_case(yamlfile.tree(text, str(path)), path)


def rows(text: str, stage: Stage, channel: str = "", name: str = "this sheet") -> tuple[Row, ...]:
    """The rows of a sheet that hold a single value each and the points of others, empty ones too.

    Parameters
    ----------
    channel : str
        Of a sheet of two channels, which.
    name : str
        Of the file, in messages.

    Raises
    ------
    InputError
        With the place, for a row that is none.
    """
    listed = _listed(yamlfile.tree(text, name), channel)
    if listed is None:
        return ()
    found = []
    for place, item in enumerate(yamlfile.items(listed, "readings")):
        if isinstance(item, Text) and item.empty:
            continue
        entry, quantity = sheet.quantity_of(item, "a reading")
        if "file" in entry.keys:
            continue
        if "points" in entry.keys:
            found += [Row(reading, value, place, k)
                      for k, (reading, value) in enumerate(points_of(entry, stage))]
            continue
        reading = sheet.conditions(entry, quantity, stage)
        value = entry.get("value")
        found.append(Row(reading, value.value if isinstance(value, Text) else "", place))
    return tuple(found)


def _listed(top: Node, channel: str) -> Node | None:
    if not isinstance(top, Mapping):
        return None
    if not channel:
        return top.get("readings")
    both = top.get("channels")
    side = both.get(channel) if isinstance(both, Mapping) else None
    return side.get("readings") if isinstance(side, Mapping) else None


def put(
    text: str, stage: Stage, reading: Reading, value: str, channel: str = "", over: bool = False,
    beside: Sequence[tuple[str, str]] = (), note: str = "",
) -> str:
    """The text of a sheet with one value more.

    Parameters
    ----------
    reading : Reading
        As its row says it, see `rows`; where there is none it gets a row.
    value : str
        With its unit, such as ``1.3921 V`` or ``> 100 Mohm``.
    channel : str
        Of a sheet of two channels, which.
    over : bool
        Whether a value that stands there may be replaced.
    beside : pairs of (key, text)
        What else the row is to say, such as the range of the meter.
    note : str
        Behind a new row, as its comment.

    Raises
    ------
    InputError
        For a value that stands there already, or a sheet that has no such channel.
    """
    row = next((r for r in rows(text, stage, channel) if r.reading.key() == reading.key()), None)
    changed = Splices(text)
    listed = _pieces_of(pieces(text), channel)
    if row is not None and listed is not None:
        if row.value and not over:
            raise InputError(f"{reading.label()} is {row.value} on this sheet already",
                             expected="an empty row, or word to replace it")
        values = {key: quoted(word) for key, word in beside}
        if row.point < 0:
            values["value"] = quoted(value)
        _fill(changed, listed.items[row.place], values, row.point, quoted(value))
        return changed.done()
    words = "".join(f", {key}: {quoted(word)}" for key, word in beside)
    line = f"- {entry_line(reading)[:-1]}{quoted(value)}{words}}}" + (f"  # {note}" if note else "")
    return _added(changed, pieces(text), listed, channel, line)


def _pieces_of(top: Piece, channel: str) -> Piece | None:
    if not channel:
        return top.get("readings")
    both = top.get("channels")
    side = both.get(channel) if both else None
    return side.get("readings") if side else None


def _fill(
    changed: Splices, row: Piece, values: dict[str, str], point: int, at_point: str
) -> None:
    wanted = []
    for k, (key, held) in enumerate(row.pairs):
        raw = values.pop(key.value, None)
        if raw is not None and held.empty:
            _into(changed, held, raw)
            raw = None
        if key.value == "points" and point >= 0:
            _into(changed, held.pairs[point][1], at_point)
        wanted.append(Wanted(k, key.value, raw))
    changed.pairs(row, [*wanted, *(Wanted(-1, key, raw) for key, raw in values.items())])


def _into(changed: Splices, held: Piece, raw: str) -> None:
    """A value where none stood yet, or in the place of one."""
    blank = "" if not held.empty or changed.text[held.start - 1 : held.start] == " " else " "
    changed.put(held.start, held.stop, blank + raw)


def _added(
    changed: Splices, top: Piece, listed: Piece | None, channel: str, line: str
) -> str:
    """A row behind the others, or the first one."""
    text = changed.text
    ends = "\r\n" if "\r\n" in text else "\n"
    if listed is not None and listed.items and not listed.flow:
        last = listed.items[-1]
        end = text.find("\n", last.stop)
        if last.stop and text[last.stop - 1] == "\n":
            end = last.stop - 1
        at = len(text) if end < 0 else end + 1
        begin = text.rfind("\n", 0, listed.start) + 1
        changed.put(at, at, f"{' ' * (listed.start - begin)}{line}{ends}")
        return changed.done()
    if listed is not None and listed.items:
        at = listed.items[-1].stop
        row, _, _ = line.removeprefix("- ").partition("  # ")
        changed.put(at, at, f", {row}")
        return changed.done()
    holder, indent = top, INDENT
    if channel:
        both = top.get("channels")
        side = both.get(channel) if both else None
        if both is None or side is None or side.flow:
            raise InputError(f"this sheet has no list of readings for {channel}",
                             expected=f"channels: {{{channel}: {{readings: []}}}}, a line each")
        holder, indent = side, INDENT * 3
    held = next((value for key, value in holder.pairs if key.value == "readings"), None)
    if held is None:
        at = len(text)
        if channel:
            raise InputError(f"this sheet has no list of readings for {channel}",
                             expected="readings: [] below it")
        changed.put(at, at, f"readings:{ends}{indent}{line}{ends}")
    else:
        changed.put(held.start, held.stop, f"{ends}{indent}{line}")
    return changed.done()


def save(path: Path, text: str, was: str) -> Case:
    """Write a sheet with what was put into it, whole or not at all.

    Parameters
    ----------
    was : str
        The text that it was made from.

    Returns
    -------
    Case
        As it is now.

    Raises
    ------
    InputError
        For a sheet that could not be read any more with it, one that another program changed
        meanwhile, or a disk that does not take it; the file is as it was.
    """
    case = read_case(yamlfile.tree(text, str(path)), path)
    if contents(path) != was:
        raise InputError("this sheet was changed meanwhile", place=Place(str(path)),
                         expected="the same command again, which reads it anew")
    marked = path.read_bytes()[:3] == b"\xef\xbb\xbf"
    try:
        write_whole(path, text.encode("utf-8-sig" if marked else "utf-8"))
    except OSError as error:
        raise InputError(f"this sheet cannot be written: {error.strerror}",
                         place=Place(str(path)),
                         expected="room on the disk, and a folder that can be written") from None
    return case


def put_and_save(
    path: Path, reading: Reading, value: str, channel: str = "", over: bool = False,
    beside: Sequence[tuple[str, str]] = (), note: str = "",
) -> Case:
    """`put` into the file as it is now, and `save` it.

    Raises
    ------
    InputError
        As these.
    """
    text, case = load_sheet(path)
    return save(path, put(text, case.stage, reading, value, channel, over, beside, note), text)

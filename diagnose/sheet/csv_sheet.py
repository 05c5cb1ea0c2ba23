"""The bench sheet as a table for a spreadsheet: its form, and a file of it as the tree of a case.

First come rows of a word and what it says: ``case``, ``stage``, ``schematic``, ``mains``,
``meter``, ``probe``, ``suspect``, ``supply``, ``other loads``, ``value, PART, VALUE``, ``check,
PART, FOUND, HOW``, ``record, WORD, TEXT``, ``observation, WORDS``, ``standard, NAME``. Then a row
of headings that begins with ``quantity``, and below it a row a reading. What a good unit is
expected to read stands under ``expected``, with a value or without. A row with a figure under
``max``, ``min`` or ``within`` is a limit; a ``channel`` column tells two channels apart. Everything
means what it means in a YAML sheet, and the tree made here is read by the same functions, so that a
mistake is shown with its line and column.
"""

from __future__ import annotations

import re
from collections.abc import Mapping as AnyMapping
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from circuits.conditions import CONDITIONS
from circuits.errors import InputError, Place
from circuits.known_devices import LIBRARY
from circuits.textfile import LINE_END
from circuits.yamlfile import Items, Mapping, Node, Text
from diagnose.sheet.cells import (
    SEPARATORS,
    Line,
    decimal_commas,
    lines_of,
    with_point,
    with_unit,
)
from diagnose.sheet.record import PARTS
from diagnose.sheet.sections import SECTIONS

CSV = (".csv", ".tsv")
"""How the name of such a sheet ends."""
FIGURES = ("max", "min", "within")
COLUMNS = (
    "channel", "quantity", *CONDITIONS, "frequencies", "value", "expected", "unit", "uncertainty",
    "range", *FIGURES, "remark",
)
HEAD = ("case", "stage", "mains", "suspect", "supply", "meter", "probe", "other loads",
        "schematic", "load", "state", "age")
"""Words of the first rows that say one thing."""
LISTS: AnyMapping[str, tuple[str, ...]] = {
    "value": ("part", "value"), **{s.one: s.words for s in SECTIONS.values()},
    "observation": ("words",), "standard": ("name",), "device": ("part", "what", "value"),
    "record": ("word", "text"),
}
"""Words of the first rows that may stand more than once, and what follows them."""
_HEADINGS = re.compile(r'\s*"?(?:channel|quantity)"?\s*([\t;,])', re.IGNORECASE)
_PAIRS = tuple(c.word for c in CONDITIONS.values() if c.pair)
_COUNTED = ("unit", "remark", "channel")


def read_csv_sheet(path: Path) -> Mapping:
    """The tree of one sheet, as `circuits.yamlfile.read` gives it of a YAML one.

    Raises
    ------
    InputError
        With the place, for a row or a heading that is not of the form.
    """
    return csv_tree(lines_of(path), str(path))


def csv_tree(lines: Sequence[Line], name: str) -> Mapping:
    """The tree of the lines of a sheet; `name` is the file in messages.

    Raises
    ------
    InputError
        As `read_csv_sheet`.
    """
    start, separator = headings(lines, name)
    decimal = decimal_commas(lines, separator)
    rows = [line.cells(separator) for line in lines]
    top = _Top(Place(name, 1, 1))
    for row in rows[:start]:
        top.head(row)
    columns = _columns(rows[start])
    for row in rows[start + 1 :]:
        top.row(row, columns, decimal)
    return top.mapping()


def is_table(text: str) -> bool:
    """Whether a text has the row of headings of such a sheet."""
    return any(_HEADINGS.match(row) for row in LINE_END.split(text))


def headings(lines: Sequence[Line], name: str) -> tuple[int, str]:
    """Where the headings stand, and what divides the columns."""
    for k, line in enumerate(lines):
        match = _HEADINGS.match(line.text)
        if match:
            return k, match[1]
    if not lines:
        raise InputError("this file is empty", place=Place(name))
    place = lines[-1].cells(SEPARATORS[-1])[0].place
    raise InputError("this sheet has no row of headings", place=place,
                     expected="a row that begins with quantity, and the readings below it")


def _columns(row: Sequence[Text]) -> list[str]:
    names: list[str] = []
    for cell in row:
        word = cell.value.lower()
        if word and word not in COLUMNS:
            raise InputError(f"{cell.value!r} is no column of a sheet", place=cell.place,
                             expected="a column", choices=COLUMNS, given=word)
        if word and word in names:
            raise InputError(f"the column {word!r} stands twice", place=cell.place,
                             expected="each column once")
        names.append(word)
    return names


class _Top:
    """A case in the making: entries by their words, lists that grow."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.words: dict[str, Text] = {}
        self.keys: dict[str, Text] = {}
        self.values: dict[str, Text] = {}
        self.value_keys: dict[str, Text] = {}
        self.devices: dict[str, Mapping] = {}
        self.library: tuple[Text, Text] | None = None
        self.device_keys: dict[str, Text] = {}
        self.record: dict[str, Node] = {}
        self.record_keys: dict[str, Text] = {}
        self.lists: dict[str, list[Node]] = {
            name: [] for name in ("readings", "limits", *SECTIONS, "observations")
        }
        self.channels: dict[str, list[Node]] = {}
        self.channel_keys: dict[str, Text] = {}

    def head(self, row: Sequence[Text]) -> None:
        """Take one of the first rows."""
        first, *rest = row
        word = first.value.lower()
        while rest and not rest[-1].value:
            rest.pop()
        if word not in HEAD and word not in LISTS:
            raise InputError(f"{first.value!r} is no word of a sheet's first rows",
                             place=first.place, expected="a word",
                             choices=(*HEAD, *LISTS), given=word)
        names = LISTS.get(word, ("value",))
        if len(rest) > len(names):
            raise InputError(f"more stands behind {word!r} than belongs there",
                             place=rest[len(names)].place, expected=", ".join((word, *names)))
        if not rest:
            return
        key = replace(first, value=word)
        if word in HEAD:
            _once(self.keys, key)
            self.words[word] = rest[0]
        elif word == "value":
            _once(self.value_keys, rest[0])
            self.values[rest[0].value] = rest[1] if len(rest) > 1 else Text("", rest[0].place)
        elif word == "device":
            self.device(rest)
        elif word == "record":
            self.recorded(rest)
        elif word == "observation":
            self.lists["observations"].append(rest[0])
        elif word == "standard":
            self.lists["limits"].append(_mapping({"standard": (first, rest[0])}, first.place))
        else:
            section = next(name for name, s in SECTIONS.items() if s.one == word)
            self.lists[section].append(_mapping(
                {name: (cell, cell) for name, cell in zip(names, rest, strict=False)}, first.place
            ))

    def device(self, cells: Sequence[Text]) -> None:
        """What is known of a transistor: ``device, Q1, current gain, 320``."""
        part, what, value = (*cells, *[Text("", cells[0].place)] * 2)[:3]
        if part.value == LIBRARY:
            self.library = (part, what)
            return
        known = self.devices.setdefault(part.value, Mapping({}, {}, part.place))
        self.device_keys.setdefault(part.value, part)
        _once(known.keys, what)
        known.entries[what.value] = value

    def recorded(self, cells: Sequence[Text]) -> None:
        """What the shop writes down: ``record, serial, 1234``; of parts, one a row."""
        word, text = (*cells, Text("", cells[0].place))[:2]
        before = self.record.get(word.value)
        if word.value != PARTS.word:
            _once(self.record_keys, word)
            self.record[word.value] = text
            return
        self.record_keys.setdefault(word.value, word)
        first = before.items if isinstance(before, Items) else ()
        self.record[word.value] = Items((*first, text), word.place)

    def row(
        self, row: Sequence[Text], columns: Sequence[str], decimal: bool
    ) -> None:
        """Take one row below the headings."""
        cells = {}
        for k, cell in enumerate(row):
            if not cell.value:
                continue
            name = columns[k] if k < len(columns) else ""
            if not name:
                raise InputError("this cell stands under no heading", place=cell.place,
                                 expected="a cell under a heading; quotes around text with "
                                 "the sign that divides the columns")
            cells[name] = with_point(cell) if decimal and name != "remark" else cell
        if not set(cells) - {"unit", "remark", "channel"}:
            return
        figures = [name for name in FIGURES if name in cells]
        unit = cells["unit"].value if "unit" in cells else ""
        entry: dict[str, tuple[Text, Node]] = {}
        for name, cell in cells.items():
            if name in _COUNTED:
                continue
            node: Node = _pair(cell) if name in _PAIRS else cell
            if name in ("value", *FIGURES):
                node = with_unit(cell, unit)
            if name == "expected":
                node = _with_tolerance(cell, unit)
            entry[name] = (replace(cell, value=name), node)
        entry_node = _mapping(entry, row[0].place)
        if figures:
            self.lists["limits"].append(entry_node)
        elif "channel" in cells:
            name = cells["channel"].value
            self.channel_keys.setdefault(name, cells["channel"])
            self.channels.setdefault(name, []).append(entry_node)
        else:
            self.lists["readings"].append(entry_node)

    def mapping(self) -> Mapping:
        """The whole case."""
        entries: dict[str, Node] = dict(self.words)
        keys = dict(self.keys)
        if self.values:
            entries["values"] = Mapping(dict(self.values), self.value_keys, self.place)
        if self.devices or self.library:
            told: dict[str, Node] = dict(self.devices)
            keys_ = dict(self.device_keys)
            if self.library:
                keys_[LIBRARY], told[LIBRARY] = self.library
            entries["devices"] = Mapping(told, keys_, self.place)
        if self.record:
            entries["record"] = Mapping(self.record, self.record_keys, self.place)
        for name, members in self.lists.items():
            if members:
                entries[name] = Items(tuple(members), self.place)
        if self.channels:
            entries["channels"] = Mapping(
                {name: _mapping({"readings": (key, Items(tuple(self.channels[name]), key.place))},
                                key.place)
                 for name, key in self.channel_keys.items()},
                self.channel_keys, self.place,
            )
        for name in entries:
            keys.setdefault(name, Text(name, _place(entries[name])))
        return Mapping(entries, keys, self.place)


def _place(node: Node) -> Place:
    return node.items[0].place if isinstance(node, Items) else node.place


def _mapping(entries: AnyMapping[str, tuple[Text, Node]], place: Place) -> Mapping:
    return Mapping(
        {name: node for name, (_, node) in entries.items()},
        {name: replace(key, value=name) for name, (key, _) in entries.items()},
        place,
    )


def _once(known: dict[str, Text], key: Text) -> None:
    first = known.setdefault(key.value, key)
    if first is not key:
        raise InputError(f"{key.value!r} stands twice; first in line {first.place.line}",
                         place=key.place, expected="each once")


def _with_tolerance(cell: Text, unit: str) -> Text:
    """A figure with its unit, and the same of a tolerance behind it: ``14 ±1`` beside V."""
    pieces = re.split(r"\s*(±|\+/?-)\s*", cell.value, maxsplit=1)
    texts = [with_unit(replace(cell, value=x), unit).value if x else x for x in pieces[::2]]
    return replace(cell, value=" ±".join(texts) if texts[0] else cell.value)


def _pair(cell: Text) -> Node:
    """Two nodes or frequencies in one cell: ``c1 to 0``, ``19 kHz + 20 kHz``."""
    words = re.split(r"\s*(?:[,;+/|–]|\.\.|\bto\b|\band\b)\s*", cell.value)
    return Items(tuple(replace(cell, value=word, quoted=True) for word in words), cell.place)

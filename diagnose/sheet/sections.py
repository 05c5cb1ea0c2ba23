"""Sections of a sheet that are lists of plain rows, such as the checks of parts.

A section is described once. The loader, the blank sheets, tables, the page and the report all go by
that description; what the rows mean is for `diagnose.inference` to say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from circuits import yamlfile
from circuits.errors import InputError
from circuits.stage import Stage
from circuits.yamlfile import Node, Text

Row = TypeVar("Row")


@dataclass(frozen=True)
class Column:
    """One field of every row.

    Attributes
    ----------
    word : str
        In the sheet.
    what : str
        What it is, in messages.
    label : str
        Before the field on the page.
    part : bool
        Whether it names a part of the stage; such a column must be filled in.
    choices : tuple of str
        What it may be, the usual one first; a row without it is still being filled in.
    example : str
    """

    word: str
    what: str
    label: str = ""
    part: bool = False
    choices: tuple[str, ...] = ()
    example: str = ""


@dataclass(frozen=True)
class Section(Generic[Row]):
    """One section.

    Attributes
    ----------
    name, one : str
        Its word in the sheet, and that of a single row, which a table has.
    title, add : str
        Its heading on the page, and what the button for one more row says.
    says : str
        What belongs there, above it on a blank sheet.
    columns : tuple of Column
        The first one names what the row is about.
    make : callable
        A row from its texts, in the order of the columns; a text is empty where none stands. The
        row has an attribute of every column's word.
    """

    name: str
    one: str
    title: str
    add: str
    says: str
    columns: tuple[Column, ...]
    make: Callable[..., Row]

    @property
    def words(self) -> tuple[str, ...]:
        """The columns' words."""
        return tuple(column.word for column in self.columns)

    def example(self, part: str = "") -> dict[str, str]:
        """A row as it may stand, about that part of the stage."""
        return {
            c.word: (part if c.part else "") or c.example or next(iter(c.choices), "")
            for c in self.columns
        }

    def filled(self, row: Mapping[str, str]) -> bool:
        """Whether somebody has typed anything into a row that began with the usual choices."""
        return any(row.get(column.word) for column in self.columns if not column.choices)


DONE = ("replaced", "cleaned", "adjusted")
"""What counts as a repair."""
TRIED = ("changes when frozen", "changes when heated")
"""What becomes of the trouble while that part alone is cooled or heated."""
FOUND = ("good", "bad", *DONE, *TRIED)


@dataclass(frozen=True)
class Check:
    """What was tested or done at one part: `found` is one of `FOUND`, `how` is free text."""

    part: str
    found: str
    how: str = ""


CHECKS = Section(
    "checks", "check", "Parts tested or changed", "+ part",
    f"Parts that were tested or changed: {', '.join(FOUND)}.",
    (
        Column("part", "a part", part=True, example="C4"),
        Column("found", "finding", "was", choices=FOUND),
        Column("how", "a way of testing", "by", example="capacitance and ESR"),
    ),
    Check,
)

SECTIONS: Mapping[str, Section[Any]] = {section.name: section for section in (CHECKS,)}
"""By their words, in the order in which a sheet has them."""


def read_rows(section: Section[Row], node: Node | None, stage: Stage) -> tuple[Row, ...]:
    """The rows of a section.

    Parameters
    ----------
    section : Section
    node : Node or None
        What stands under its word; empty members are passed over.
    stage : Stage
        Whose parts it may name.

    Raises
    ------
    InputError
        With the place.
    """
    rows = (_row(section, item, stage) for item in members(node, section.name))
    return tuple(section.make(*texts) for texts in rows if texts is not None)


def members(node: Node | None, what: str) -> tuple[Node, ...]:
    """The members of a list that are not empty; none where there is no list."""
    if node is None:
        return ()
    return tuple(
        item for item in yamlfile.items(node, what) if not (isinstance(item, Text) and item.empty)
    )


def _row(section: Section[Any], item: Node, stage: Stage) -> list[str] | None:
    """Its texts; None where a choice is still to be made."""
    needed = [column.word for column in section.columns if column.part]
    entry = yamlfile.mapping(item, f"a {section.one}", section.words, needed)
    texts = []
    for column in section.columns:
        node = entry.get(column.word)
        if node is None and column.choices:
            return None
        texts.append("" if node is None else _text(column, node, stage))
    return texts


def _text(column: Column, node: Node, stage: Stage) -> str:
    if column.choices:
        return yamlfile.choice(node, column.what, column.choices)
    word = yamlfile.text(node, column.what)
    if not column.part:
        return word
    try:
        return stage.part(word).name
    except InputError as error:
        raise error.at(node.place) from None

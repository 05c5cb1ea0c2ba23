"""What a shop writes down of a job beside its readings: the customer's words, whose unit it is.

None of it is weighed. It stands in the case file, so that the record travels with the readings,
and at the head of the report. A job that is closed says there what it turned out to be; the case
log (`diagnose.log`) reads that, so that no fact of a job stands in two places that can disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from circuits import yamlfile
from circuits.yamlfile import Node, Text
from diagnose.sheet.sections import members


@dataclass(frozen=True)
class Field:
    """One field of the record: its word in the sheet, and before its line on paper and page."""

    word: str
    label: str
    long: bool = False
    """Whether it is a sentence or more."""


FIELDS = (
    Field("complaint", "Customer's words", long=True),
    Field("unit", "Unit"),
    Field("serial", "Serial number"),
    Field("customer", "Customer or job"),
    Field("received", "Received"),
    Field("technician", "Technician"),
    Field("taken", "Measured on"),
    Field("instruments", "Measured with"),
    Field("finished", "Finished"),
    Field("cause", "Cause found", long=True),
)
"""In the order in which they stand; ``parts`` follows, a list."""
CLOSED = (
    Field("found", "Fault found"),
    Field("proved", "Proved by"),
    Field("minutes", "Minutes of work"),
    Field("followed", "Proposed readings taken"),
    Field("job", "Number in the log"),
)
"""What closing a job writes; not typed beside the rest, since the log goes by these."""
PARTS = Field("parts", "Parts fitted", long=True)
BEFORE = tuple(f for f in FIELDS if f.word not in ("finished", "cause"))
"""What is known before the unit is opened, and belongs on a blank sheet."""


_UNSEEN = ("followed", "job")
"""What only the log asks for."""


@dataclass(frozen=True)
class Record:
    """The record of a job; what nobody wrote is empty.

    Attributes
    ----------
    fields : pairs
        Word of `FIELDS` or `CLOSED` and text, of those that were written.
    parts : tuple of str
        Parts that were fitted, each with its value and kind.
    """

    fields: tuple[tuple[str, str], ...] = ()
    parts: tuple[str, ...] = ()

    def of(self, word: str) -> str:
        """The text of a field."""
        return dict(self.fields).get(word, "")

    @property
    def lines(self) -> list[tuple[Field, str]]:
        """The fields that were written, in their order."""
        shown = (*FIELDS, *(f for f in CLOSED if f.word not in _UNSEEN))
        return [(f, self.of(f.word)) for f in shown if self.of(f.word)]

    @property
    def closed(self) -> bool:
        """Whether the job was closed."""
        return bool(self.of("found"))


NO_RECORD = Record()
"""Of a job of which nobody wrote anything down."""


def read_record(node: Node | None) -> Record:
    """The record of a case file.

    Raises
    ------
    InputError
        With the place.
    """
    if node is None:
        return NO_RECORD
    words = [f.word for f in (*FIELDS, *CLOSED)]
    entry = yamlfile.mapping(node, "a record", (*words, PARTS.word))
    said = [(word, yamlfile.text(inner, f"the record's {word}"))
            for word in words if (inner := entry.get(word)) is not None]
    parts = [yamlfile.text(item, "a part") for item in members(entry.get(PARTS.word), PARTS.word)]
    return Record(tuple(said), tuple(parts))


def record_text(fields: Mapping[str, str], parts: tuple[str, ...]) -> str:
    """A record as the section of a case file; nothing where nothing was written."""
    lines = [f"  {f.word}: {yamlfile.quoted(fields[f.word])}" for f in (*FIELDS, *CLOSED)
             if fields.get(f.word)]
    if parts:
        listed = ", ".join(yamlfile.quoted(part) for part in parts)
        lines.append(f"  {PARTS.word}: [{listed}]")
    return "\n".join(["record:", *lines]) if lines else ""


_TOLD = {"age": "Age", "meter": "Meter", "probe": "Probe", "load": "Load",
         "schematic": "Schematic", "supply": "Supply of the channels"}
"""What a report tells of a sheet's head, in the words of the sheet, by how it is labelled."""


def told_of(top: yamlfile.Mapping) -> tuple[tuple[str, str], ...]:
    """What the head of a sheet says of the unit and of all readings, each by its label."""
    found = [(label, " ".join(node.value.split())) for key, label in _TOLD.items()
             if isinstance(node := top.get(key), Text) and not node.empty]
    return tuple((label, f"{text} years" if label == "Age" and text.isdecimal() else text)
                 for label, text in found)

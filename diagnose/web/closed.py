"""The record of a sheet that was closed, written into its file; all else stays as it was typed."""

from __future__ import annotations

import re
import stat
from contextlib import suppress
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.spliced import Splices, Wanted, pieces
from circuits.textfile import LINE_END, contents
from circuits.yamlfile import Mapping, Node
from diagnose.sheet.cells import lines_in
from diagnose.sheet.csv_sheet import CSV, csv_tree, headings
from diagnose.sheet.record import CLOSED, FIELDS, PARTS, Record, read_record
from diagnose.web.disk import write_whole

WORDS = tuple(f.word for f in (*FIELDS, *CLOSED))
_ROW = re.compile(r'\s*"?record"?\s*[\t;,]', re.IGNORECASE)


def write_record(path: Path, record: Record) -> None:
    """Write a record into a case file, whole or not at all.

    Raises
    ------
    InputError
        For a file that is none, or in which the record has no place.
    NotKept
        For a disk that does not take it.
    """
    path = path.resolve()
    name = path.name
    text = contents(path, name)
    table = path.suffix.lower() in CSV
    made = in_table(text, record, name) if table else in_yaml(text, record)
    tree: Node = csv_tree(lines_in(made, name), name) if table else yamlfile.tree(made, name)
    held = read_record(tree.entries.get("record") if isinstance(tree, Mapping) else None)
    if dict(held.fields) != dict(record.fields) or held.parts != record.parts:
        raise InputError(f"the record of {name} cannot be written as it is typed there",
                         expected="record: with a line a word")
    if made != text:
        mode = stat.S_IMODE(path.stat().st_mode)
        write_whole(path, made.encode())
        with suppress(OSError):  # a disk without rights has none to keep
            path.chmod(mode)


def in_yaml(text: str, record: Record) -> str:
    """A case file with a record; comments, order and all the rest as they were."""
    top = pieces(text)
    before = top.get("record")
    pairs = () if before is None or before.shape != "map" else before.pairs
    fields = {word: yamlfile.quoted(said) for word, said in record.fields}
    if record.parts:
        fields[PARTS.word] = f"[{', '.join(yamlfile.quoted(part) for part in record.parts)}]"
    old = read_record(yamlfile.mapping(yamlfile.tree(text, "sheet"), "a case file").get("record"))
    same = dict(old.fields)
    known = {key.value: k for k, (key, _) in enumerate(pairs)}
    wanted = []
    for word in (*WORDS, PARTS.word):
        if word not in fields:
            continue
        stays = (old.parts == record.parts if word == PARTS.word
                 else same.get(word) == record.of(word))
        wanted.append(Wanted(known.get(word, -1), word,
                             None if word in known and stays else fields[word]))
    cut = Splices(text)
    cut.child(top, "record", wanted)
    return cut.done()


def in_table(text: str, record: Record, name: str) -> str:
    """A sheet as a table with a record: its rows anew, before the headings."""
    lines = lines_in(text, name)
    start, mark = headings(lines, name)
    rows = LINE_END.split(text)
    at = lines[start].number - 1
    end = "\r\n" if "\r\n" in text else "\n"
    said = [(word, record.of(word)) for word in WORDS if record.of(word)]
    said += [(PARTS.word, part) for part in record.parts]
    new = [mark.join(("record", word, '"' + told.replace('"', '""') + '"'))
           for word, told in said]
    kept = [row for row in rows[:at] if not _ROW.match(row)]
    return end.join([*kept, *new, *rows[at:]])

"""What befalls a table on its way through a spreadsheet, beside what befalls any text."""

from __future__ import annotations

from random import Random

from tests.hostile.accidents import MILD, NUMBER, Accident, befallen, lines_of


def _cells(data: bytes) -> list[list[bytes]]:
    return [line.split(b",") for line in lines_of(data)]


def _table(rows: list[list[bytes]]) -> bytes:
    return b"\n".join(b",".join(row) for row in rows)


def quoted_cell(chance: Random, data: bytes) -> bytes:
    """A cell in quotes that needs none."""
    rows = _cells(data)
    row = chance.choice(rows)
    k = chance.randrange(len(row))
    if b'"' not in row[k] and not row[0].startswith(b"#"):
        row[k] = b'"' + row[k] + b'"'
    return _table(rows)


def padded_rows(chance: Random, data: bytes) -> bytes:
    """Rows as wide as the widest, as spreadsheets save them."""
    rows = _cells(data)
    wide = max(map(len, rows))
    return _table([row + [b""] * (wide - len(row)) if any(row) else row for row in rows])


def empty_cell(chance: Random, data: bytes) -> bytes:
    """A value that was not read after all."""
    rows = _cells(data)
    full = [(row, k) for row in rows for k in range(len(row)) if NUMBER.fullmatch(row[k].strip())]
    if full:
        row, k = chance.choice(full)
        row[k] = b""
    return _table(rows)


def semicolons(chance: Random, data: bytes) -> bytes:
    """Cells divided as where the comma is the decimal mark."""
    if b'"' in data or b";" in data:
        return data
    return data.replace(b",", b";")


MILD_TABLE: tuple[Accident, ...] = (*MILD[:-1], quoted_cell, padded_rows, empty_cell, semicolons)


def befallen_table(chance: Random, data: bytes) -> bytes:
    """A table after one to three accidents."""
    return befallen(chance, data, MILD_TABLE)

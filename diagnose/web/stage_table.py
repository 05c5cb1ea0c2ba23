"""A stage file as a table of parts and fields, and the table put back into the file.

The table holds what its columns can say; everything else, comments, supply blocks, the order of
lines, stays in the text, and a table that was not changed changes nothing of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from circuits.errors import InputError
from circuits.spliced import Piece, Splices, Wanted, pieces
from circuits.yamlfile import quoted
from diagnose.web.reordered import reordered

FIELDS = ("stage", "title", "about", "source", "source impedance", "load", "mains", "signal")
"""Fields of the stage itself; those of `ports` stand between them on the page."""
PORTS = ("input", "output", "return")
COLUMNS = ("kind", "nodes", "value", "model", "role")
"""What of a part has a column; ``more`` is the rest, as it stands in the file."""
_RAW = ("signal",)
"""Fields that are mappings in the file and their inside on the page."""
_LONGEST = 4000
"""Signs of a field."""
_MOST_ROWS = 1000
"""Rows of a list, as parts of a netlist that may come in."""
_ROWS = {"rails": ("name", "volts", "more"), "parts": ("name", *COLUMNS, "more"),
         "points": ("name", "text")}

Row = dict[str, Any]
Table = dict[str, Any]
"""``head`` (fields by name), ``rails``, ``parts`` and ``points`` (lists of rows, each with the
place it ``was`` at in the text) and ``guessed`` (pairs of whose and what)."""


@dataclass(frozen=True)
class Span:
    """Where in a text a field stands."""

    start: int
    stop: int
    field: str


def table_of(text: str) -> Table:
    """The table of a stage file, however wrong its values are.

    Raises
    ------
    InputError
        With the place, where it is no YAML or not of the form of a stage file.
    """
    top = _top(text)
    ports = top.get("ports")
    head = {key: _field(text, key, top.get(key)) for key in FIELDS}
    head |= {key: _word(text, ports.get(key) if ports else None) for key in PORTS}
    return {
        "head": head,
        "rails": [_rail(text, k, *pair) for k, pair in enumerate(_pairs(top, "rails"))],
        "parts": [_part(text, k, *pair) for k, pair in enumerate(_pairs(top, "parts"))],
        "points": [{"was": k, "name": key.value, "text": _word(text, value)}
                   for k, (key, value) in enumerate(_pairs(top, "test points"))],
        "guessed": [[key.value, word] for key, value in _pairs(top, "guessed")
                    for word in _words(text, value)],
    }


def checked_table(given: object) -> Table:
    """A table as a page sent it.

    Raises
    ------
    InputError
        For what is none.
    """
    if not isinstance(given, dict) or not isinstance(given.get("head"), dict):
        raise InputError("this is no table of a stage", expected="head, rails, parts, points")
    table: Table = {"head": {key: _line(given["head"].get(key)) for key in (*FIELDS, *PORTS)}}
    for name, columns in _ROWS.items():
        rows = given.get(name)
        if not isinstance(rows, list) or len(rows) > _MOST_ROWS:
            raise InputError(f"{name} is no list of rows", expected=f"at most {_MOST_ROWS}")
        table[name] = [_row(row, columns) for row in rows]
    guesses = given.get("guessed")
    if not isinstance(guesses, list) or not all(
        isinstance(one, list) and len(one) == 2 for one in guesses
    ):
        raise InputError("what was guessed is no list of pairs", expected="[part, word]")
    table["guessed"] = [[_line(of), _line(word)] for of, word in guesses]
    return table


def _row(given: object, columns: Sequence[str]) -> Row:
    was = given.get("was") if isinstance(given, dict) else None
    if not isinstance(given, dict) or isinstance(was, bool) or not isinstance(was, int):
        raise InputError("this is no row of a stage", expected="was, name and the columns")
    return {"was": was, **{word: _line(given.get(word)) for word in columns}}


def _line(given: object) -> str:
    if given is not None and not isinstance(given, str):
        raise InputError("a field holds a text", expected="text")
    text = given or ""
    if len(text) > _LONGEST:
        raise InputError("a field is too long", expected=f"at most {_LONGEST} signs")
    return " ".join(text.split())


def merged(text: str, table: Table) -> str:
    """The text of a stage file with what a table says differently.

    Parameters
    ----------
    text : str
        The file that the table was read from.
    table : Table
        Rows without a name are left out.

    Raises
    ------
    InputError
        Where the text has no table.
    """
    top, before = _top(text), table_of(text)
    edit = Splices(text)
    _put_head(edit, top, before["head"], table["head"])
    order = {key: _put_rows(edit, top, key, before[name], table[name]) for key, name in (
        ("rails", "rails"), ("parts", "parts"), ("test points", "points"))}
    _put_guesses(edit, top, before, table)
    _renamed_in(edit, top, before, table)
    return reordered(edit.done(), order)


def _put_head(edit: Splices, top: Piece, before: Row, head: Row) -> None:
    wanted = [Wanted(k, key.value) for k, (key, _) in enumerate(top.pairs)]
    changed = False
    for key in FIELDS:
        if head[key] == before[key] or (key in _RAW and _inside(head[key]) is None):
            continue
        changed = True
        raw = f"{{{head[key]}}}" if key in _RAW else quoted(head[key])
        place = _place(top, key)
        if place is None:
            wanted.append(Wanted(-1, key, raw))
        elif head[key]:
            wanted[place] = Wanted(place, key, raw)
        else:
            wanted = [one for one in wanted if one.was != place]
    if changed:
        edit.pairs(top, wanted)
    if all(head[key] == before[key] for key in PORTS):
        return
    ports = top.get("ports")
    pairs = ports.pairs if ports else ()
    had = {key.value: k for k, (key, _) in enumerate(pairs)}
    made = []
    for key in PORTS:
        if head[key]:
            same = head[key] == before[key] and key in had
            made.append(Wanted(had.get(key, -1), key, None if same else _node(head[key])))
    edit.child(top, "ports", made)


def _put_rows(
    edit: Splices, top: Piece, key: str, before: Sequence[Row], rows: Sequence[Row]
) -> list[str]:
    """Put the rows of a list into the text; their names, in the order of the table."""
    wanted = []
    for row in rows:
        was = before[row["was"]] if 0 <= row["was"] < len(before) else None
        name = row["name"] or (was["name"] if was else "")
        if not name:
            continue
        wanted.append(_wanted(edit, key, row if was else {**row, "was": -1}, name, was))
    if list(rows) != list(before):
        edit.child(top, key, wanted)
    return [one.name for one in wanted]


def _wanted(edit: Splices, key: str, row: Row, name: str, was: Row | None) -> Wanted:
    if key == "test points":
        same = was is not None and was["text"] == row["text"]
        return Wanted(row["was"], name, None if same else quoted(row["text"]))
    words = ("volts",) if key == "rails" else COLUMNS
    if was is None:
        inside = [f"{word}: {_raw(word, row[word])}" for word in words if row[word]]
        if row["more"] and _inside(row["more"]) is not None:
            inside.append(row["more"])
        return Wanted(-1, name, f"{{{', '.join(inside)}}}")

    def change(value: Piece) -> None:
        _change(edit, value, words, row, was)

    return Wanted(row["was"], name, None, change)


def _change(edit: Splices, value: Piece, words: Sequence[str], row: Row, was: Row) -> None:
    """Change what of one entry the row says differently."""
    if all(row[word] == was[word] for word in (*words, "more")):
        return
    others = None if row["more"] == was["more"] else _inside(row["more"])
    made = []
    for k, (key, _) in enumerate(value.pairs):
        word = key.value
        if word not in words:
            if others is None:
                made.append(Wanted(k, word))
        elif row[word] == was[word]:
            made.append(Wanted(k, word))
        elif row[word]:
            made.append(Wanted(k, word, _raw(word, row[word])))
    have = {one.name for one in made}
    made += [Wanted(-1, word, _raw(word, row[word]))
             for word in words if row[word] and word not in have]
    made += others or []
    if value.shape == "map" and not value.empty:
        edit.pairs(value, made)
    else:
        edit.value(value, "{" + ", ".join(f"{one.name}: {one.raw}" for one in made) + "}")


def _inside(typed: str) -> list[Wanted] | None:
    """What was typed as ``key: value, key: value``; None for what cannot be read so."""
    braced = f"{{{typed}}}"
    try:
        found = pieces(braced)
    except InputError:
        return None
    if found.shape != "map" or found.stop != len(braced):
        return None
    return [Wanted(-1, key.value, braced[value.start : value.stop]) for key, value in found.pairs]


def unreadable(table: Table) -> list[str]:
    """Fields that hold pairs and cannot be read so: the text keeps what it had there."""
    if not table:
        return []
    found = [f"head/{key}" for key in _RAW if _inside(table["head"][key]) is None]
    return found + [f"{name}/{k}/more" for name in ("rails", "parts")
                    for k, row in enumerate(table[name]) if _inside(row["more"]) is None]


def _raw(word: str, typed: str) -> str:
    """A field of a row as YAML."""
    if word == "nodes":
        return "[" + ", ".join(map(_node, nodes_of(typed))) + "]"
    if word == "model" and typed.startswith("{"):
        try:
            if pieces(typed).shape == "map":
                return typed
        except InputError:
            pass
    return quoted(typed)


def nodes_of(typed: str) -> list[str]:
    """Nodes as they are typed, with commas or spaces between."""
    return [word for word in re.split(r"[\s,;]+", typed.strip("[] ")) if word]


def _node(name: str) -> str:
    return '"0"' if name == "0" else quoted(name)


def _put_guesses(edit: Splices, top: Piece, before: Table, table: Table) -> None:
    """Take what was confirmed off the list, and call parts what they are called now."""
    names = _renamed(before["parts"], table["parts"])
    left: dict[str, list[str]] = {}
    for of, word in table["guessed"]:
        of = names.get(of, of)
        if of is not None:
            left.setdefault(of, []).append(word)
    wanted = []
    same = True
    pairs = _pairs(top, "guessed")
    for k, (key, value) in enumerate(pairs):
        name = names.get(key.value, key.value)
        words = left.get(name, []) if name is not None else []
        had = _words(edit.text, value)
        kept = [word for word in had if word in words]
        same = same and kept == had and name == key.value
        if kept and name is not None:
            raw = None if kept == had else f"[{', '.join(map(quoted, kept))}]"
            wanted.append(Wanted(k, name, raw))
    if not same:
        edit.child(top, "guessed", wanted)


def _renamed(before: Sequence[Row], rows: Sequence[Row]) -> dict[str, str | None]:
    """Old names of parts to new ones, None for those that are gone."""
    now = {row["was"]: row["name"] or before[row["was"]]["name"]
           for row in rows if 0 <= row["was"] < len(before)}
    return {row["name"]: now.get(k) for k, row in enumerate(before)
            if now.get(k) != row["name"]}


def _renamed_in(edit: Splices, top: Piece, before: Table, table: Table) -> None:
    """Parts that other sections name follow a new name; of one that is gone the loader tells."""
    names = {old: new for old, new in _renamed(before["parts"], table["parts"]).items() if new}
    adjust, shared = top.get("adjust"), top.get("shared")
    for key, _ in adjust.pairs if adjust else ():
        if key.value in names:
            edit.put(key.start, key.stop, quoted(names[key.value]))
    for item in shared.items if shared else ():
        if item.value in names:
            edit.put(item.start, item.stop, quoted(names[item.value]))


def spans(text: str, table: Table) -> list[Span]:
    """Where the fields of a table stand in the text that it was put into.

    Raises
    ------
    InputError
        Where the text has no table.
    """
    top = _top(text)
    found = [Span(value.start, max(value.stop, value.start + 1), f"head/{key.value}")
             for key, value in top.pairs if key.value in FIELDS]
    ports = top.get("ports")
    found += [Span(value.start, value.stop, f"head/{key.value}")
              for key, value in (ports.pairs if ports else ())]
    for key, name in (("rails", "rails"), ("parts", "parts"), ("test points", "points")):
        rows = [k for k, row in enumerate(table[name]) if row["name"] or row["was"] >= 0]
        for k, pair in zip(rows, _pairs(top, key), strict=False):
            found += _row_spans(f"{name}/{k}", *pair)
    found += [Span(word.start, value.stop, "guessed") for word, value in _pairs(top, "guessed")]
    return found


def _row_spans(row: str, key: Piece, value: Piece) -> Iterator[Span]:
    yield Span(key.start, key.stop, f"{row}/name")
    yield Span(key.start, value.stop, row)
    if value.shape != "map":
        yield Span(value.start, value.stop, f"{row}/{'text' if row[:2] == 'po' else 'more'}")
    for word, inside in value.pairs:
        known = word.value in (*COLUMNS, "volts")
        field = f"{row}/{word.value}" if known else f"{row}/more"
        yield Span(word.start, max(inside.stop, word.stop), field)


def _top(text: str) -> Piece:
    top = pieces(text)
    if top.shape != "map" or top.flow:
        raise InputError("this file is no list of keys, one a line", expected="stage: …")
    return top


def _place(top: Piece, key: str) -> int | None:
    return next((k for k, (word, _) in enumerate(top.pairs) if word.value == key), None)


def _pairs(top: Piece, key: str) -> tuple[tuple[Piece, Piece], ...]:
    value = top.get(key)
    return value.pairs if value else ()


def _words(text: str, value: Piece) -> list[str]:
    return [item.value for item in value.items] if value.shape == "list" else []


def _word(text: str, value: Piece | None) -> str:
    """A scalar as a person reads it; a list by its members; anything else as it stands."""
    if value is None:
        return ""
    if value.shape == "text":
        return " ".join(value.value.split())
    if value.shape == "list":
        return ", ".join(_word(text, item) for item in value.items)
    return " ".join(text[value.start : value.stop].split())


def _field(text: str, key: str, value: Piece | None) -> str:
    if key in _RAW and value is not None and value.shape == "map":
        return _more(text, value.pairs)
    return _word(text, value)


def _more(text: str, pairs: Sequence[tuple[Piece, Piece]]) -> str:
    """Pairs as they stand in the file, in one line."""
    return ", ".join(f"{key.value}: {' '.join(text[value.start : value.stop].split())}"
                     for key, value in pairs)


def _rail(text: str, k: int, key: Piece, value: Piece) -> Row:
    others = [pair for pair in value.pairs if pair[0].value != "volts"]
    return {"was": k, "name": key.value, "volts": _word(text, value.get("volts")),
            "more": _more(text, others)}


def _part(text: str, k: int, key: Piece, value: Piece) -> Row:
    others = [pair for pair in value.pairs if pair[0].value not in COLUMNS]
    return {"was": k, "name": key.value,
            **{word: _word(text, value.get(word)) for word in COLUMNS},
            "more": _more(text, others)}


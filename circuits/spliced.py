"""Pieces of a YAML text changed in place, so that comments, order and all the rest stay as typed.

The strict reader of `circuits.yamlfile` gives trees without ends. Here every piece is known from
its first character to its last, and a text in which one key stands twice is read as well: while
somebody types, it may.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

from circuits import yamlfile
from circuits.errors import InputError
from circuits.textfile import LINE_END

INDENT = "  "


@dataclass(frozen=True)
class Piece:
    """A scalar, a list or a mapping of a text.

    Attributes
    ----------
    start, stop : int
        Its first character and the one after its last, counted from 0.
    shape : {"text", "list", "map"}
    value : str
        Of a scalar.
    flow : bool
        Whether it stands in brackets or braces.
    items : tuple of Piece
        Of a list.
    pairs : tuple of (Piece, Piece)
        Keys and values of a mapping, in the order of the text.
    """

    start: int
    stop: int
    shape: str
    value: str = ""
    flow: bool = False
    items: tuple[Piece, ...] = ()
    pairs: tuple[tuple[Piece, Piece], ...] = ()

    def get(self, key: str) -> Piece | None:
        """What stands under a key, the first of several; None where nothing does."""
        return next((value for word, value in self.pairs
                     if word.value == key and not value.empty), None)

    @property
    def empty(self) -> bool:
        """Whether nothing was written here."""
        return self.start == self.stop


def pieces(text: str) -> Piece:
    """The pieces of a YAML text.

    Raises
    ------
    InputError
        Where it is none, or more than is allowed in a file of this project; the message is that of
        `circuits.yamlfile.tree`.
    """
    try:
        found = _Walk(text).root()
    except (yaml.YAMLError, _Strange):
        yamlfile.tree(text, "stage.yaml")  # says what is wrong, and where
        raise InputError("this file cannot be read as a table", expected="plain YAML") from None
    if found is None:
        raise InputError("this file is empty", expected="a stage file")
    return found


class _Strange(Exception):
    """An anchor, an alias, a second document, or nesting without end."""


@dataclass
class _Open:
    start: int
    shape: str
    flow: bool
    inside: list[Piece]


class _Walk:
    """One text, walked by its events; nothing is expanded."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.rows = [0, *(found.end() for found in LINE_END.finditer(text))]

    def place(self, mark: Any) -> int:
        """Where a mark stands, counted in characters."""
        if mark is None or mark.line >= len(self.rows):
            return len(self.text)
        return int(min(self.rows[mark.line] + mark.column, len(self.text)))

    def root(self) -> Piece | None:
        stack: list[_Open] = []
        first: Piece | None = None
        for event in yaml.parse(self.text, Loader=yaml.CSafeLoader):
            done: Piece | None = None
            start, stop = self.place(event.start_mark), self.place(event.end_mark)
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
                raise _Strange
            if isinstance(event, yaml.DocumentStartEvent) and first is not None:
                raise _Strange
            if isinstance(event, yaml.ScalarEvent):
                done = Piece(start, stop, "text", event.value)
            elif isinstance(event, yaml.CollectionStartEvent):
                if len(stack) >= yamlfile.MOST_DEPTH:
                    raise _Strange
                shape = "map" if isinstance(event, yaml.MappingStartEvent) else "list"
                stack.append(_Open(start, shape, bool(event.flow_style), []))
            elif isinstance(event, yaml.CollectionEndEvent):
                done = _closed(stack.pop(), stop)
            if done is None:
                continue
            if stack:
                stack[-1].inside.append(done)
            else:
                first = done
        return first


def _closed(made: _Open, stop: int) -> Piece:
    inside = tuple(made.inside)
    if not made.flow:  # the end of a block is told where the next one begins
        stop = inside[-1].stop if inside else made.start
    if made.shape == "list":
        return Piece(made.start, stop, "list", flow=made.flow, items=inside)
    pairs = tuple(zip(inside[::2], inside[1::2], strict=True))
    return Piece(made.start, stop, "map", flow=made.flow, pairs=pairs)


@dataclass(frozen=True)
class Wanted:
    """One pair that a mapping shall have.

    Attributes
    ----------
    was : int
        Which pair of the mapping it is now; -1 for a new one.
    name : str
        Its key.
    raw : str or None
        Its value as YAML; None leaves what is there, as `change` makes it.
    change : callable, optional
        Given the value that is there, to change pieces of it.
    """

    was: int
    name: str
    raw: str | None = None
    change: Callable[[Piece], None] | None = None


class Splices:
    """Changes of a text, collected and then made at once.

    Parameters
    ----------
    text : str
        Ends with a line end, or gets one.
    """

    def __init__(self, text: str) -> None:
        self.text = text if text.endswith("\n") or not text else text + "\n"
        self._cuts: list[tuple[int, int, str]] = []

    def put(self, start: int, stop: int, new: str) -> None:
        """Put a text in the place of another."""
        self._cuts.append((start, stop, new))

    def value(self, piece: Piece, raw: str) -> None:
        """Put a value in the place of another, or where none stood yet."""
        block = self.text[piece.start : piece.stop].endswith("\n")  # of lines below a | or >
        self.put(piece.start, piece.stop, f" {raw}" if piece.empty else raw + "\n" * block)

    def done(self) -> str:
        """The text with all changes."""
        made, at = [], 0
        for start, stop, new in sorted(self._cuts, key=lambda cut: cut[:2]):
            made += [self.text[at : max(at, start)], new]
            at = max(at, stop)
        return "".join([*made, self.text[at:]])

    def pairs(self, mapping: Piece, wanted: Sequence[Wanted]) -> None:
        """Make a mapping hold what is wanted; what stays keeps its lines and its comments."""
        kept = {one.was: one for one in wanted if one.was >= 0}
        new = [one for one in wanted if one.was < 0]
        if mapping.flow and not kept:
            inside = ", ".join(_pair(one) for one in new)
            self.put(mapping.start, mapping.stop, f"{{{inside}}}")
            return
        for k, (key, value) in enumerate(mapping.pairs):
            one = kept.get(k)
            if one is None:
                self._without(mapping, k)
                continue
            if one.name != key.value:
                self.put(key.start, key.stop, yamlfile.quoted(one.name))
            if one.raw is not None:
                self.value(value, one.raw)
            elif one.change is not None:
                one.change(value)
        if not new:
            return
        if mapping.flow:
            stop = mapping.pairs[max(kept)][1].stop
            self.put(stop, stop, "".join(f", {_pair(one)}" for one in new))
            return
        indent = " " * self._column(mapping.pairs[0][0].start) if mapping.pairs else INDENT
        at = self._line_after(mapping.stop)
        self.put(at, at, "".join(f"{indent}{_pair(one)}\n" for one in new))

    def child(self, top: Piece, key: str, wanted: Sequence[Wanted]) -> None:
        """Make the mapping under a key of the whole file hold what is wanted."""
        place = next((k for k, (word, _) in enumerate(top.pairs) if word.value == key), None)
        if place is None:
            if wanted:
                lines = "".join(f"{INDENT}{_pair(one)}\n" for one in wanted)
                self.put(len(self.text), len(self.text), f"{key}:\n{lines}")
            return
        value = top.pairs[place][1]
        if not wanted and value.shape == "map" and not value.flow:
            self._without(top, place)
        elif value.shape == "map" and not value.empty:
            self.pairs(value, wanted)
        elif wanted:
            lines = "\n".join(f"{INDENT}{_pair(one)}" for one in wanted)
            self.put(value.start, value.stop, f"\n{lines}")

    def _without(self, mapping: Piece, k: int) -> None:
        key, value = mapping.pairs[k]
        if not mapping.flow:
            self.put(self._line(key.start), self._line_after(value.stop), "")
        elif k + 1 < len(mapping.pairs):
            self.put(key.start, mapping.pairs[k + 1][0].start, "")
        else:
            self.put(mapping.pairs[k - 1][1].stop if k else key.start, value.stop, "")

    def _line(self, at: int) -> int:
        return self.text.rfind("\n", 0, at) + 1

    def _column(self, at: int) -> int:
        return at - self._line(at)

    def _line_after(self, at: int) -> int:
        """The beginning of the line after a place; of one that begins a line, that line itself."""
        if at and self.text[at - 1] == "\n":
            return at
        found = self.text.find("\n", at)
        return len(self.text) if found < 0 else found + 1


def _pair(one: Wanted) -> str:
    return f"{yamlfile.quoted(one.name)}: {one.raw or ''}".rstrip()

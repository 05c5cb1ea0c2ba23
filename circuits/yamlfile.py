"""A strict reader of YAML files: text with places, no guessing.

Scalars stay text, so that ``no``, ``1:30``, ``010`` and ``1e3`` mean what the quantity that asks
for them says. Duplicate keys, anchors, aliases, tags and further documents are refused. The tree
is built from libyaml's events, not by its composer: nothing is expanded, and depth is bounded.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import yaml

from circuits.errors import InputError, Place
from circuits.quantity import parse
from circuits.textfile import LINE_END, UNPRINTABLE, contents, place_at, place_in

MOST_DEPTH = 20
"""Levels of nesting; stage files and sheets have a handful (judgement)."""
_SIGN = "[A-Za-z0-9µμΩ.+%/°-]"
_PLAIN = re.compile(rf"(?:[A-Za-zµμΩ]|[+-]?[.]?[0-9])(?:{_SIGN}| (?={_SIGN}))*")
"""Texts in which YAML sees nothing but text."""
_INDENT_TAB = re.compile(r"^[ ]*\t", re.MULTILINE)
_HINTS = {
    "mapping values are not allowed": "quotes around a text that holds ': '",
    "cannot start any token": "quotes around a text that begins with @, `, %, > or |",
    "did not find expected ',' or ']'": "a ] at the end of the list",
    "did not find expected ',' or '}'": "a } at the end, and quotes around text with , or :",
    "while scanning a block scalar": "quotes around a text that begins with > or |",
    "could not find expected ':'": "key: value",
    "unexpected end of stream": "a closing quote",
}


@dataclass(frozen=True)
class Text:
    """A scalar as it was written; empty where nothing stands after a key."""

    value: str
    place: Place
    quoted: bool = False

    @property
    def empty(self) -> bool:
        """Whether nothing was written here."""
        return not self.value and not self.quoted


@dataclass(frozen=True)
class Items:
    """A list."""

    items: tuple[Node, ...]
    place: Place


@dataclass(frozen=True)
class Mapping:
    """A mapping; `keys` has the place of each key."""

    entries: dict[str, Node]
    keys: dict[str, Text]
    place: Place

    def get(self, key: str) -> Node | None:
        """What stands under a key, or None where it is absent or empty."""
        node = self.entries.get(key)
        return None if node is None or (isinstance(node, Text) and node.empty) else node


Node = Text | Items | Mapping


def read(path: Path, shown: str = "") -> Node:
    """The tree of one file.

    Parameters
    ----------
    path : Path
        A regular UTF-8 file of at most 1 MB.
    shown : str
        Its name in messages; by default the path.

    Raises
    ------
    InputError
        With the place, for whatever makes the file unusable.
    """
    return tree(contents(path, shown), shown or str(path))


def tree(text: str, name: str) -> Node:
    """The tree of a YAML text; `name` is the file in messages.

    Raises
    ------
    InputError
        With the place.
    """
    return _Builder(text, name).build()


def quoted(text: str) -> str:
    """A text as a scalar of one line: plain where nothing in it can be misread."""
    if not text or _PLAIN.fullmatch(text):
        return text
    return json.dumps(text, ensure_ascii=False)


class _Builder:
    """Builds one tree; holds the lines for the places."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.rows = LINE_END.split(text)

    def place(self, line: int, column: int) -> Place:
        """The place of a mark, both counted from 0."""
        row = self.rows[line] if line < len(self.rows) else ""
        return place_in(self.name, row, line + 1, column + 1)

    def start(self, event: yaml.Event) -> Place:
        """The place where an event begins."""
        mark = event.start_mark
        return Place(self.name) if mark is None else self.place(mark.line, mark.column)

    def refuse(self, message: str, event: yaml.Event, expected: str) -> InputError:
        """An error at an event."""
        return InputError(message, place=self.start(event), expected=expected)

    def build(self) -> Node:
        tab = _INDENT_TAB.search(self.text)
        if tab:
            raise InputError(
                "this line is indented with a tab",
                place=place_at(self.text, tab.end() - 1, self.name),
                expected="spaces",
            )
        try:
            return self._events()
        except yaml.YAMLError as error:
            raise self._syntax(error) from None

    def _syntax(self, error: yaml.YAMLError) -> InputError:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        problem = str(getattr(error, "problem", None) or error)
        whole = f"{getattr(error, 'context', '') or ''} {problem}"
        hint = next((text for words, text in _HINTS.items() if words in whole), "YAML")
        where = Place(self.name) if mark is None else self.place(mark.line, mark.column)
        if mark is not None and not where.text.strip():  # the end of the file: show its last line
            last = max((i for i, row in enumerate(self.rows[: mark.line + 1]) if row.strip()),
                       default=0)
            where = self.place(last, len(self.rows[last].rstrip()))
        return InputError(f"this cannot be read: {problem}", place=where, expected=hint)

    def _events(self) -> Node:
        """Walks the events with a stack of open collections, each with the place it began."""
        root: Node | None = None
        stack: list[_Open] = []
        for event in yaml.parse(self.text, Loader=yaml.CSafeLoader):
            done: Node | None = None
            if isinstance(event, yaml.DocumentStartEvent) and root is not None:
                raise self.refuse("a second document begins here", event, "one document a file")
            if isinstance(event, yaml.AliasEvent):
                raise self.refuse("an alias (*) is not allowed here", event, "quotes, or the text")
            if isinstance(event, yaml.NodeEvent):
                self._plain(event)
            if isinstance(event, yaml.ScalarEvent):
                if UNPRINTABLE.search(event.value):
                    raise self.refuse("this text holds a control character", event, "plain text")
                quoted = event.style not in (None, "")
                done = Text(event.value, self.start(event), quoted)
            elif isinstance(event, yaml.CollectionStartEvent):
                if len(stack) == MOST_DEPTH:
                    raise self.refuse("this is nested too deeply", event, f"{MOST_DEPTH} levels")
                if stack and stack[-1].wants_key:
                    raise self.refuse("a key must be a plain word", event, "key: value")
                stack.append(_Open(self.start(event), isinstance(event, yaml.MappingStartEvent)))
            elif isinstance(event, yaml.CollectionEndEvent):
                done = stack.pop().closed()
            if done is None:
                continue
            if stack:
                stack[-1].add(done)
            else:
                root = done
        if root is None or (isinstance(root, Text) and root.empty):
            raise InputError("this file is empty", place=Place(self.name))
        return root

    def _plain(self, event: yaml.NodeEvent) -> None:
        if event.anchor is not None:
            raise self.refuse("an anchor (&) is not allowed here", event, "quotes, or the text")
        if getattr(event, "tag", None) is not None:
            raise self.refuse("a tag (!) is not allowed here", event, "quotes, or the text")


class _Open:
    """A collection whose end has not come yet."""

    def __init__(self, place: Place, is_mapping: bool) -> None:
        self.place = place
        self.is_mapping = is_mapping
        self.items: list[Node] = []
        self.entries: dict[str, Node] = {}
        self.keys: dict[str, Text] = {}
        self.key: Text | None = None

    @property
    def wants_key(self) -> bool:
        return self.is_mapping and self.key is None

    def add(self, node: Node) -> None:
        if not self.is_mapping:
            self.items.append(node)
        elif self.key is not None:
            self.entries[self.key.value] = node
            self.key = None
        else:
            assert isinstance(node, Text)
            first = self.keys.get(node.value)
            if first is not None:
                raise InputError(
                    f"{node.value!r} stands twice; first in line {first.place.line}",
                    place=node.place,
                    expected="each key once",
                )
            self.keys[node.value] = node
            self.key = node

    def closed(self) -> Node:
        if self.is_mapping:
            return Mapping(self.entries, self.keys, self.place)
        return Items(tuple(self.items), self.place)


def mapping(
    node: Node, what: str, allowed: Collection[str] | None = None, required: Collection[str] = ()
) -> Mapping:
    """The node as a mapping with known keys.

    Parameters
    ----------
    what : str
        What it is, for messages: ``a part``.
    allowed : collection of str, optional
        The keys that may stand; None allows any.
    required : collection of str
        Those that must.

    Raises
    ------
    InputError
        At the offending key, with the nearest allowed ones.
    """
    if not isinstance(node, Mapping):
        keys = ", ".join(required or allowed or ()) or "any"
        raise InputError(
            f"{what} must be a mapping", place=node.place, expected=f"key: value (keys: {keys})"
        )
    if allowed is not None:
        for key, written in node.keys.items():
            if key not in allowed:
                entry = node.entries[key]
                comma = isinstance(entry, Text) and entry.empty and re.match(r"[0-9]", key)
                raise InputError(
                    f"{key!r} is no key of {what}",
                    place=written.place,
                    expected="a decimal point, not a comma" if comma else f"a key of {what}",
                    choices=() if comma else allowed,
                    given=key,
                )
    for key in required:
        if node.get(key) is None:
            place = node.keys[key].place if key in node.keys else node.place
            raise InputError(f"{what} has no {key!r}", place=place, expected=f"{key}: …")
    return node


def items(node: Node, what: str) -> tuple[Node, ...]:
    """The members of a list.

    Raises
    ------
    InputError
        When it is none.
    """
    if not isinstance(node, Items):
        raise InputError(f"{what} must be a list", place=node.place, expected="[…, …] or - lines")
    return node.items


def scalar(node: Node, what: str) -> Text:
    """The node as a text that is not empty.

    Raises
    ------
    InputError
        For a list, a mapping or nothing.
    """
    if not isinstance(node, Text):
        raise InputError(f"{what} must be one text", place=node.place, expected="a single value")
    if not node.value.strip():
        raise InputError(f"{what} is missing here", place=node.place, expected=what)
    return node


def text(node: Node, what: str) -> str:
    """The node's text, its lines joined as YAML folds them."""
    return scalar(node, what).value.strip()


def choice(node: Node, what: str, allowed: Collection[str]) -> str:
    """A text that is one of the allowed words.

    Raises
    ------
    InputError
        With the nearest ones.
    """
    word = text(node, what)
    if word not in allowed:
        raise InputError(
            f"{word!r} is no {what}", place=node.place, expected=what, choices=allowed, given=word
        )
    return word


def number(node: Node, what: str, unit: str) -> float:
    """A quantity in SI, read by `circuits.quantity.parse`."""
    written = scalar(node, what)
    try:
        return parse(written.value, unit)
    except InputError as error:
        raise error.at(written.place) from None

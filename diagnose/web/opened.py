"""A case file to a sheet as it is typed, however unfinished or wrong its values are."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from circuits import yamlfile
from circuits.errors import InputError
from circuits.quantities import STATE
from circuits.state_words import state_line
from circuits.yamlfile import Items, Node, Text
from diagnose.sheet.sections import SECTIONS, Section, members
from diagnose.web.sheet import FIGURES, KNOWN, Entry, Limit, Pairs, Point, Repair, Typed, set_aside
from diagnose.web.written import ASIDE

_NOT_CONDITIONS = ("quantity", "value", "uncertainty", "points", "file", "expected", "photo")


def from_file(text: str, name: str) -> Typed:
    """The sheet of a case file, however unfinished or wrong its values are.

    Parameters
    ----------
    text : str
        Of the file.
    name : str
        Of the file, in messages.

    Raises
    ------
    InputError
        With the place, where it is no YAML or not of the form of a case.
    """
    top = yamlfile.mapping(yamlfile.tree(text, name), "a case file")
    if "stage" not in top.keys:  # a sheet whose stage is not chosen yet has an empty one
        yamlfile.mapping(top, "a case file", None, ("stage",))
    head, extra = _kept(text, top, name)
    lines = head.splitlines()
    aside = next((line for line in lines if line.startswith(ASIDE)), "")
    head = "\n".join(line for line in lines if line != aside)
    sheet = from_tree(top, text, head, extra)
    return replace(sheet, aside=set_aside(aside.removeprefix(ASIDE)))


def from_tree(top: yamlfile.Mapping, text: str = "", head: str = "", extra: str = "") -> Typed:
    """The sheet of the tree of a case.

    Parameters
    ----------
    text : str
        The file that it was read from, for the notes behind its lines.
    head, extra : str
        As in `Typed`.

    Raises
    ------
    InputError
        With the place, where it is not of the form of a case.
    """
    channels, readings = _channels(top, text)
    return Typed(
        stage=_word(top.get("stage")),
        case=_word(top.get("case")),
        mains=_word(top.get("mains")),
        values=_named(top.get("values"), "values"),
        channels=channels,
        suspect=_word(top.get("suspect")),
        readings=readings if channels else _entries(top.get("readings"), text),
        limits=tuple(_limit(item) for item in members(top.get("limits"), "limits")),
        observations=tuple(
            _word(item) for item in members(top.get("observations"), "observations")
        ),
        repaired=_repaired(top.get("repaired"), text),
        rows={name: tuple(_row(section, item) for item in members(top.get(name), name))
              for name, section in SECTIONS.items()},
        head=head,
        extra=extra,
    )


def _kept(text: str, top: yamlfile.Mapping, name: str) -> tuple[str, str]:
    """Lines before the first section, and the sections that have no fields."""
    lines = text.splitlines()
    starts = sorted((key.place.line - 1, word) for word, key in top.keys.items())
    unknown = [word for _, word in starts if word not in KNOWN]
    if unknown and any(key.place.column != 1 for key in top.keys.values()):
        raise InputError(
            f"{unknown[0]!r} stands in a sheet that is one pair of braces",
            place=top.keys[unknown[0]].place,
            expected="one section a line",
        )
    kept: list[str] = []
    for (start, word), (stop, _) in zip(starts, [*starts[1:], (len(lines), "")], strict=True):
        if word in unknown:
            kept += lines[start:stop]
    head = [line for line in lines[: starts[0][0]] if line.startswith("#") or not line.strip()]
    return "\n".join(head).strip("\n"), "\n".join(kept).rstrip()


def _channels(
    top: yamlfile.Mapping, text: str
) -> tuple[tuple[str, ...], tuple[Entry, ...]]:
    node = top.get("channels")
    if node is None:
        return (), ()
    both = yamlfile.mapping(node, "channels")
    if len(both.entries) != 2:
        raise InputError(f"{len(both.entries)} channels stand here", place=node.place,
                         expected="two")
    sides = []
    for name in both.entries:
        inside = both.get(name)
        suspect = None
        if inside is not None:
            suspect = yamlfile.mapping(inside, "a channel", ("readings",)).get("readings")
        sides.append(_entries(suspect, text))
    return tuple(both.entries), _merged(*sides)


def _merged(left: tuple[Entry, ...], right: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """One row for the same reading of both channels."""
    waiting = list(right)
    entries: list[Entry] = []
    for entry in left:
        twin = next((e for e in waiting if _alike(e, entry)), None)
        if twin is not None:
            waiting.remove(twin)
        entries.append(_side_by_side(entry, twin))
    return (*entries, *(_side_by_side(None, entry) for entry in waiting))


def _alike(one: Entry, other: Entry) -> bool:
    same = (one.quantity, one.conditions, one.source, one.uncertainty) == (
        other.quantity, other.conditions, other.source, other.uncertainty
    )
    return same and len({one.expected, other.expected, ""}) < 3


def _side_by_side(left: Entry | None, right: Entry | None) -> Entry:
    first = left or right
    assert first is not None
    frequencies = dict.fromkeys(p.at for e in (left, right) if e for p in e.points)

    def at(entry: Entry | None, frequency: str) -> str:
        points = {p.at: p.values[0] for p in entry.points} if entry else {}
        return points.get(frequency, "")

    return Entry(
        first.quantity, first.conditions, first.source,
        tuple(entry.values[0] if entry else "" for entry in (left, right)),
        tuple(Point(f, (at(left, f), at(right, f))) for f in frequencies),
        first.uncertainty,
        "; ".join(dict.fromkeys(e.note for e in (left, right) if e and e.note)),
        next((e.expected for e in (left, right) if e and e.expected), ""),
        next((e.photo for e in (left, right) if e and e.photo), ""),
    )


def _entries(node: Node | None, text: str) -> tuple[Entry, ...]:
    lines = text.splitlines()
    return tuple(_from_node(item, lines) for item in members(node, "readings"))


def _from_node(node: Node, lines: Sequence[str]) -> Entry:
    row = yamlfile.mapping(node, "a reading")
    points = row.get("points")
    source = "points" if "points" in row.entries else "file" if "file" in row.entries else "value"
    value = row.get("file" if source == "file" else "value")
    line = lines[row.place.line - 1] if row.place.line <= len(lines) else ""
    note = re.search(r"\}\s+#\s*(.*)$", line)
    return Entry(
        quantity=_word(row.get("quantity")),
        conditions=tuple(
            (key, _condition(key, row.get(key)))
            for key in row.entries if key not in _NOT_CONDITIONS
        ),
        source=source,
        values=(_word(value),),
        points=tuple(Point(at, (word,)) for at, word in _named(points, "points")),
        uncertainty=_word(row.get("uncertainty")),
        note=note[1].strip() if note else "",
        expected=_word(row.get("expected")),
        photo=_word(row.get("photo")),
    )


def _limit(node: Node) -> Limit:
    row = yamlfile.mapping(node, "a limit")
    inside = [key for key in row.entries if key not in (*FIGURES, "quantity")]
    return Limit(
        _word(row.get("quantity")),
        tuple((key, _condition(key, row.get(key))) for key in inside),
        tuple((key, _word(row.get(key))) for key in FIGURES if key in row.entries),
    )


def _repaired(node: Node | None, text: str) -> tuple[Repair, ...]:
    """One repair, or a list of them."""
    if node is None:
        return ()
    rows = (node,) if isinstance(node, yamlfile.Mapping) else members(node, "repairs")
    repairs = []
    for item in rows:
        row = yamlfile.mapping(item, "a repair", ("part", "how", "readings"))
        repairs.append(Repair(_word(row.get("part")), _word(row.get("how")),
                           _entries(row.get("readings"), text)))
    return tuple(repairs)


def _row(section: Section[Any], node: Node) -> dict[str, str]:
    row = yamlfile.mapping(node, f"a {section.one}", section.words)
    return {word: _word(row.get(word)) for word in section.words}


def _named(node: Node | None, what: str) -> Pairs:
    if node is None:
        return ()
    inside = yamlfile.mapping(node, what)
    return tuple((key, _word(inside.get(key))) for key in inside.entries)


def _condition(key: str, node: Node | None) -> str:
    """A condition in one line, of a state what stands in its braces too."""
    return _word(node) if key != STATE or node is None else state_line(node)


def _word(node: Node | None) -> str:
    """A text as it stands; a list as its members between commas."""
    if node is None:
        return ""
    if isinstance(node, Items):
        return ", ".join(_word(item) for item in node.items)
    if isinstance(node, Text):
        return " ".join(node.value.split())
    raise InputError("a mapping stands here", place=node.place, expected="a single value")

"""Netlists that schematic editors write as S-expressions: components, and nets with their pins."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from circuits.errors import InputError, Place
from circuits.textfile import place_at

_MOST = 20_000
"""Lists of a netlist; an amplifier has some thousand (judgement)."""
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')


@dataclass
class Component:
    """One component: what its symbol says, and its nets by the number of the pin."""

    ref: str
    value: str
    footprint: str
    words: str
    pins: dict[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)


def is_s_expression(text: str) -> bool:
    """Whether a netlist is written so."""
    return text.lstrip("\ufeff \t\r\n").startswith("(")


def components(text: str, name: str) -> tuple[str, list[Component]]:
    """Title and components of a netlist.

    Raises
    ------
    InputError
        Without `sexpdata`, or for a text that is no such netlist.
    """
    tree = _tree(text, name)
    found: dict[str, Component] = {}
    libraries = _libraries(tree)
    for entry in _lists(_one(tree, "components"), "comp"):
        ref = _text(entry, "ref")
        if not ref:
            continue
        if ref in found:
            raise InputError(f"{ref} stands twice", place=place_of(text, ref, name),
                             expected="each reference once")
        source = _one(entry, "libsource")
        part = f"{_text(source, 'lib')}:{_text(source, 'part')}"
        fields = " ".join(_text(p, "value") for p in _lists(entry, "property"))
        words = " ".join((_text(source, "part"), _text(source, "description"),
                          _text(entry, "description"), fields))
        found[ref] = Component(ref, _text(entry, "value"), _text(entry, "footprint"), words)
        found[ref].names = dict(libraries.get(part, {}))
    for net in _lists(_one(tree, "nets"), "net"):
        title = _text(net, "name") or _text(net, "code")
        for node in _lists(net, "node"):
            ref, pin = _text(node, "ref"), _text(node, "pin")
            if ref in found:
                found[ref].pins[pin] = title
                function = _text(node, "pinfunction")
                if function:
                    found[ref].names[pin] = function
    if not found:
        raise InputError("this netlist has no components", place=Place(name),
                         expected="(export (components (comp (ref R1) …)) (nets …))")
    design = _one(tree, "design")
    title = _text(_one(_one(design, "sheet"), "title_block"), "title")
    return title, list(found.values())


# -- the tree --------------------------------------------------------------------------------------


def _tree(text: str, name: str) -> list[Any]:
    try:
        import sexpdata
    except ImportError:
        raise InputError(
            "this netlist is of S-expressions, and the library that reads them is not installed",
            place=Place(name), expected="pip install sexpdata, or the netlist in SPICE's form",
        ) from None
    bare = _QUOTED.sub("", text)
    if bare.count("(") > _MOST:
        raise InputError("this netlist is too long", place=Place(name),
                         expected=f"one amplifier, with at most {_MOST} lists")
    depth = most = 0
    for sign in bare:
        depth += (sign == "(") - (sign == ")")
        most = max(most, depth)
    if depth or most > 50:
        raise InputError("the brackets of this netlist do not match", place=Place(name),
                         expected="as many ) as (")
    try:
        tree = sexpdata.loads(text, nil=None, true=None, false=None)
    except (sexpdata.ExpectClosingBracket, sexpdata.ExpectNothing, sexpdata.ExpectSExp, ValueError,
            IndexError, TypeError, AttributeError, AssertionError, RecursionError) as error:
        raise InputError(f"this cannot be read: {type(error).__name__}", place=Place(name, 1, 1),
                         expected="(export …)") from None
    if not isinstance(tree, list) or _word(tree[:1]) != "export":
        raise InputError("this is no netlist of a schematic editor", place=place_at(text, 0, name),
                         expected="(export (version …) (components …) (nets …))")
    return tree


def _word(items: Sequence[Any]) -> str:
    return _said(items[0]) if items else ""


def _said(item: Any) -> str:
    if isinstance(item, list):
        return ""
    value = getattr(item, "value", None)
    return str(value() if callable(value) else item)


def _lists(tree: Sequence[Any], word: str) -> Iterator[list[Any]]:
    for item in tree:
        if isinstance(item, list) and _word(item[:1]) == word:
            yield item


def _one(tree: Sequence[Any], word: str) -> list[Any]:
    return next(_lists(tree, word), [])


def _text(tree: Sequence[Any], word: str) -> str:
    found = _one(tree, word)
    return " ".join(_said(item) for item in found[1:] if not isinstance(item, list)).strip()


def _libraries(tree: Sequence[Any]) -> dict[str, dict[str, str]]:
    """Names of pins by their numbers, of every symbol."""
    found = {}
    for part in _lists(_one(tree, "libparts"), "libpart"):
        pins = {_text(pin, "num"): _text(pin, "name") for pin in _lists(_one(part, "pins"), "pin")}
        found[f"{_text(part, 'lib')}:{_text(part, 'part')}"] = pins
    return found


def place_of(text: str, ref: str, name: str) -> Place:
    """Where a component stands."""
    match = re.search(rf"\(\s*ref\s+\"?{re.escape(ref)}\"?\s*\)", text)
    return place_at(text, match.start(), name) if match else Place(name)

"""What a mode does to a part, and how far it goes: two entries of a mode file.

The format: ``modes/README.md``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from circuits import yamlfile
from circuits.errors import InputError
from circuits.excess import BREAKDOWN, INDEX, SHOT
from circuits.yamlfile import Mapping, Node
from faultlib.mode import FIRST_SIZES, LOAD_JOINT, Change, Size

_FIELDS = {
    "rail": ("volts", "ripple"),
    "winding": ("emf", "value"),
    "demand": ("current",),
    "pickup": ("stray",),
    "earth": ("joint", LOAD_JOINT),
}
_PART_FIELDS = ("value", "esr", "position")
HEARD = {INDEX: "dB", SHOT: "", BREAKDOWN: "V"}
"""What an added resistance may make noise by, and the units of that."""
FADES = {"log": 3.0, "linear": 1.0}
"""How much oftener the mildest size is met than the worst, by scale, where a mode does not say
(judgement: parts drift further and further, and are noticed on the way)."""
_FEWEST = 3
"""Sizes of a first round, at least: with fewer nobody sees whether readings bend between."""
_VALUE_KEYS = {
    "scale": ("what", "by", "times", "default"),
    "divide": ("what", "by", "times", "default"),
    "add": ("what", "by", "times", "default"),
    "set": ("what", "to", "times"),
    "series": ("pin", "ohms", *HEARD),
    "shunt": ("pins", "ohms", *HEARD),
}


@dataclass(frozen=True)
class OfKind:
    """What the entries of one kind may refer to."""

    name: str
    pins: tuple[str, ...]
    unit: str
    parameters: bool


def read_size(node: Node, about: OfKind) -> Size:
    """How far a mode goes, from its entry; `InputError` with its place where it is no size."""
    entry = yamlfile.mapping(
        node,
        "a size",
        ("quantity", "unit", "from", "to", "times", "plus", "default", "scale", "mild over worst",
         "first sizes"),
        ("quantity", "from", "to"),
    )
    times, plus = entry.get("times"), entry.get("plus")
    if times is not None and plus is not None:
        raise InputError("a size has `times` or `plus`, not both", place=plus.place)
    unit_node = entry.entries.get("unit")
    unit = unit_node.value if isinstance(unit_node, yamlfile.Text) else ""
    default = entry.get("default")
    scale = entry.get("scale")
    fades = entry.get("mild over worst")
    first = entry.get("first sizes")
    read = "" if times is not None else unit
    of_scale = "log" if scale is None else yamlfile.choice(scale, "scale", ("log", "linear"))
    size = Size(
        quantity=yamlfile.text(entry.entries["quantity"], "a quantity"),
        unit=unit,
        mild=yamlfile.number(entry.entries["from"], "from", read),
        worst=yamlfile.number(entry.entries["to"], "to", read),
        times="" if times is None else _what(times, about),
        plus="" if plus is None else _what(plus, about),
        default=None if default is None else yamlfile.number(default, "default", ""),
        scale=of_scale,
        fades=FADES[of_scale] if fades is None else positive(fades, "how much oftener"),
        first=FIRST_SIZES if first is None else _count(first),
    )
    if size.mild == size.worst or (size.scale == "log" and size.mild * size.worst <= 0.0):
        raise InputError(
            "sizes on a log scale differ, are of one sign and not zero",
            place=entry.entries["to"].place,
            expected="another limit, or scale: linear",
        )
    return size


def read_change(node: Node, about: OfKind, has_size: bool) -> Change:
    """One operation on a part; an amount left open is the size of the mode, if ``has_size``."""
    whole = yamlfile.mapping(node, "a change", _VALUE_KEYS)
    if len(whole.entries) != 1:
        raise InputError("one change has one operation", place=whole.place, choices=_VALUE_KEYS)
    ((operation, body),) = whole.entries.items()
    keys = _VALUE_KEYS[operation]
    wires = operation in ("series", "shunt")
    amount_key = "ohms" if wires else keys[1]
    needed = [keys[0], amount_key] if wires or operation == "set" else [keys[0]]
    entry = yamlfile.mapping(body, operation, keys, needed)
    times = entry.get("times")
    default = entry.get("default")
    change = Change(
        operation,
        amount=_amount(entry, amount_key, "ohm" if wires else "", about, has_size),
        times=1.0 if times is None else yamlfile.number(times, "times", ""),
        default=0.0 if default is None else yamlfile.number(default, "default", ""),
    )
    if wires:
        heard = tuple((word, _amount(entry, word, unit, about, has_size))
                      for word, unit in HEARD.items() if entry.get(word) is not None)
        return replace(change, pins=_pins(entry.entries[keys[0]], operation, about), heard=heard)
    what = _what(entry.entries["what"], about)
    parameter = about.parameters and what not in _PART_FIELDS
    if parameter and default is None and operation in ("scale", "divide"):
        raise InputError(
            f"the healthy {what} is not known where the device data are silent",
            place=entry.place,
            expected="default: the simulator's own",
        )
    return replace(change, what=what)


def _amount(
    entry: Mapping, key: str, unit: str, about: OfKind, has_size: bool
) -> float | None:
    node = entry.get(key)
    if node is None or (isinstance(node, yamlfile.Text) and node.value == "size"):
        if not has_size:
            raise InputError(
                "this mode has no size", place=(node or entry).place, expected="a number"
            )
        return None
    if not unit and isinstance(entry.get("what"), yamlfile.Text):
        what = yamlfile.text(entry.entries["what"], "what")
        unit = about.unit if key == "to" and what == "value" else ""
    return yamlfile.number(node, key, unit)


def _pins(node: Node, operation: str, about: OfKind) -> tuple[str, ...]:
    if operation == "series":
        return (yamlfile.choice(node, f"pin of {about.name}", about.pins),)
    members = yamlfile.items(node, "pins")
    pins = tuple(yamlfile.choice(n, f"pin of {about.name}", about.pins) for n in members)
    if len(set(pins)) != 2:
        raise InputError("a shunt lies between two pins", place=node.place)
    return pins


def _what(node: Node, about: OfKind) -> str:
    """A field of the part, or any device parameter where the kind may have a model."""
    if not about.parameters:
        return yamlfile.choice(node, f"property of a {about.name}", _FIELDS[about.name])
    word = yamlfile.text(node, "what is changed")
    if word == "value" and not about.unit:
        raise InputError(f"a part of kind {about.name} has no value", place=node.place)
    return word


def _count(node: Node) -> int:
    count = yamlfile.number(node, "first sizes", "")
    if count != int(count) or not _FEWEST <= count <= FIRST_SIZES:
        raise InputError("sizes are a whole number", place=node.place,
                         expected=f"from {_FEWEST} to {FIRST_SIZES}")
    return int(count)


def positive(node: Node, what: str, unit: str = "") -> float:
    """A number above zero in ``unit``, or `InputError` with its place."""
    number = yamlfile.number(node, what, unit)
    if number <= 0.0:
        raise InputError(f"{what} is above zero", place=node.place, expected="a number above 0")
    return number

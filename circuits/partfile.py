"""One part of a stage file: its kind, nodes, value and device, each checked where it stands."""

from __future__ import annotations

import math
import re

from circuits import yamlfile
from circuits.device import Own, device_of, percentage
from circuits.errors import InputError
from circuits.kinds import Kind, kin, kind, kinds
from circuits.quantity import render
from circuits.ratings import rating_unit
from circuits.stage import Part
from circuits.yamlfile import Mapping, Node, Text

Pins = tuple[tuple[Text, tuple[Text, ...]], ...]
"""The parts' names and nodes as written."""

_PART_KEYS = (
    "kind", "nodes", "value", "tolerance", "role", "model", "position", "esr", "rating", "heat",
)
PLAUSIBLE = {"ohm": (1e-3, 1e12), "F": (1e-13, 1.0), "H": (1e-9, 1e4), "V": (0.1, 1000.0)}
"""Least and greatest value of a part by its unit; what lies beyond is a slip of a prefix
(judgement)."""
_SMALL_CAPACITORS = (1e-13, 1e-3)
"""F, the same for capacitors that are no electrolytics."""
_RATINGS = {"W": (0.01, 1e3), "V": (1.0, 1e4)}
"""Least and greatest rating of a part by its unit (judgement)."""
_HOTTEST = 60.0
"""K above the rest of the case that a neighbour heats a part by, at most (judgement)."""
_CONTACT = (1e-6, 1e6)
"""Ohm, the same for contacts, which are good far below the least resistor."""
_MOST_ESR = 20.0
"""Ohm: of the smallest electrolytics tan δ alone would tell more than they have (judgement)."""
_PART_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_+-]*(?:\.[A-Za-z0-9_+-]+)*")
_NODE_NAME = re.compile(r"[A-Za-z0-9_+.-]+")


def series_resistance(part_kind: str, value: float | None) -> float:
    """The usual equivalent series resistance of a good capacitor, ohm.

    tan δ / (2π·100 Hz·C), not above 20 ohm; 0 for kinds whose losses do not matter.
    """
    dissipation = kind(part_kind).dissipation
    if not dissipation or not value:
        return 0.0
    return min(dissipation / (2.0 * math.pi * 100.0 * value), _MOST_ESR)


def checked_value(node: Node, about: Kind) -> float:
    """The value of a part of that kind, SI, within what such parts are made in.

    Raises
    ------
    InputError
        For another dimension, or a value that no such part has.
    """
    value = yamlfile.number(node, f"the value of a {about.name}", about.unit)
    low, high = PLAUSIBLE[about.unit]
    if about.family == "contact":
        low, high = _CONTACT
    elif about.family == "capacitor" and not about.dissipation:
        low, high = _SMALL_CAPACITORS
    if not low <= value <= high:
        hint = "; leave a plain wire out" if value == 0.0 and about.unit == "ohm" else ""
        raise InputError(
            f"{render(value, about.unit)} is no plausible value of a {about.name}",
            place=node.place,
            expected=f"{render(low, about.unit)} to {render(high, about.unit)}{hint}",
        )
    return value


def words(top: Mapping, key: str) -> str:
    """The text under a key, empty where there is none."""
    node = top.get(key)
    return yamlfile.text(node, f"the {key}") if node is not None else ""


def within(
    node: Node | None, what: str, unit: str, limits: tuple[float, float], default: float = 0.0
) -> float:
    """A quantity between two limits, or the default where nothing was written.

    Raises
    ------
    InputError
        For another dimension, or a value outside.
    """
    if node is None:
        return default
    value = yamlfile.number(node, f"the {what}", unit)
    if not limits[0] <= value <= limits[1]:
        raise InputError(
            f"a {what} of {render(value, unit)} is not plausible",
            place=node.place,
            expected=f"{render(limits[0], unit)} to {render(limits[1], unit)}",
        )
    return value


def node_name(node: Node, what: str) -> Text:
    """A text that can name a node.

    Raises
    ------
    InputError
        For any other.
    """
    written = yamlfile.scalar(node, what)
    if not _NODE_NAME.fullmatch(written.value):
        raise InputError(
            f"{written.value!r} cannot name a node",
            place=written.place,
            expected="letters, digits and _ + . -",
        )
    return written


def read_parts(node: Node, own: Own | None = None) -> tuple[tuple[Part, ...], Pins]:
    """The parts of a stage, and where their names and nodes stand.

    Parameters
    ----------
    own : callable, optional
        Devices of the user's.

    Raises
    ------
    InputError
        With the place; the mistakes of all parts at once.
    """
    mapping = yamlfile.mapping(node, "parts")
    if not mapping.entries:
        raise InputError("this stage has no parts", place=node.place, expected="R1: {kind: …}")
    pairs, wrong = [], []
    for name, entry in mapping.entries.items():
        try:
            pairs.append(_part(mapping.keys[name], entry, own))
        except InputError as error:
            wrong.append(error)
    if wrong:
        raise InputError.together(wrong)
    return (
        tuple(part for part, _ in pairs),
        tuple((mapping.keys[part.name], nodes) for part, nodes in pairs),
    )


def _part(name: Text, node: Node, own: Own | None) -> tuple[Part, tuple[Text, ...]]:
    if not _PART_NAME.fullmatch(name.value):
        raise InputError(
            f"{name.value!r} cannot name a part",
            place=name.place,
            expected="a letter, then letters, digits and _ + - with dots between",
        )
    entry = yamlfile.mapping(node, "a part", _PART_KEYS, ("kind", "nodes"))
    known = {**kinds(), **kin()}
    about = known[yamlfile.choice(entry.entries["kind"], "part kind", known)]
    nodes = _nodes(entry.entries["nodes"], about)
    value = _value(entry, name, about)
    tolerance = entry.get("tolerance")
    device = device_of(entry.get("model"), about.name, name, own)
    esr = entry.get("esr")
    if esr is not None and about.family not in ("capacitor", "inductor"):
        raise _useless("esr", about, entry)
    position = entry.get("position")
    if position is not None and about.family != "potentiometer":
        raise _useless("position", about, entry)
    if tolerance is not None and not about.unit:
        raise _useless("tolerance", about, entry)
    rating, borne = entry.get("rating"), rating_unit(about.name)
    if rating is not None and not borne:
        raise _useless("rating", about, entry)
    heat = entry.get("heat")
    if heat is not None and about.family != "capacitor":
        raise _useless("heat", about, entry)
    part = Part(
        name=name.value,
        kind=about.name,
        nodes=tuple(written.value for written in nodes),
        value=value,
        tolerance=percentage(tolerance, "a tolerance") if tolerance else about.tolerance,
        role=words(entry, "role"),
        model=device.name,
        parameters=device.parameters,
        spread=device.spread,
        position=within(position, "position", "", (0.0, 1.0), 0.5),
        esr=within(esr, "series resistance", "ohm", (0.0, 1e5),
                    series_resistance(about.name, value)),
        behaviour=device.behaviour,
        rating=within(rating, "rating", borne, _RATINGS[borne]) if rating is not None else 0.0,
        heat=within(heat, "heat", "", (0.0, _HOTTEST), 0.0),
    )
    return part, nodes


def _useless(key: str, about: Kind, entry: Mapping) -> InputError:
    return InputError(
        f"a part of kind {about.name} has no {key}",
        place=entry.keys[key].place,
        expected=f"no {key}",
    )


def _value(entry: Mapping, name: Text, about: Kind) -> float | None:
    node = entry.get("value")
    if node is None:
        if about.unit and about.value is None:
            raise InputError(
                f"{name.value} has no value",
                place=name.place,
                expected=f"value: a quantity in {about.unit}",
            )
        return about.value
    if not about.unit:
        raise _useless("value", about, entry)
    return checked_value(node, about)


def _nodes(node: Node, about: Kind) -> tuple[Text, ...]:
    nodes = tuple(node_name(item, "a node") for item in yamlfile.items(node, "nodes"))
    pins = about.pins
    fits = {len(pins), len(pins) - about.optional_pins}
    if about.family == "potentiometer":
        fits.add(2)  # wired as a variable resistor
    if len(nodes) not in fits:
        raise InputError(
            f"a part of kind {about.name} is drawn with {len(nodes)} nodes",
            place=node.place,
            expected=" or ".join(str(count) for count in sorted(fits)) + ": " + ", ".join(pins),
        )
    return nodes

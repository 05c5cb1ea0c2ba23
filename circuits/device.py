"""Device data: the generic transistors, diodes, valves and op-amps that parts refer to.

`load_devices` reads ``circuits/devices/*.yaml``; `device_of` resolves what a part writes under
``model``, a name or a mapping of parameters. Parameters of semiconductors are SPICE's and are
checked by name, because the simulator passes over a word that it does not know.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError, Place
from circuits.kinds import kind, kinds
from circuits.plausible import FIGURES
from circuits.quantity import render
from circuits.stage import Behaviour, Pairs
from circuits.yamlfile import Mapping, Node, Text

FOLDER = Path(__file__).with_name("devices")

DEFAULT_MODEL = {"opamp": "general-opamp", "zener": "zener"}
"""The device of a part that names none, by kind."""

_COMMON = "KF AF FC TNOM EG XTI"
_SPICE = {
    "bipolar": "IS BF NF VAF IKF ISE NE BR NR VAR IKR ISC NC RB IRB RBM RE RC CJE VJE MJE TF XTF "
    "VTF ITF PTF CJC VJC MJC XCJC TR CJS VJS MJS XTB",
    "diode": "IS RS N TT CJO VJ M BV IBV NBV IKF",
    "jfet": "VTO BETA LAMBDA RD RS CGS CGD PB IS B N",
    "mosfet": "LEVEL VTO KP LAMBDA GAMMA PHI RD RS RSH CBD CBS IS PB CGSO CGDO CGBO CJ MJ CJSW "
    "MJSW JS TOX NSUB NSS LD UO W L",
}
_INSTANCE = {"bipolar": "AREA MULT", "diode": "AREA MULT", "jfet": "AREA MULT", "mosfet": "MULT"}
"""What SPICE takes of the one device and not of its model: see `circuits.elements.INSTANCE`."""
_OWN = {
    "opamp": {
        "gain": "", "gbw": "Hz", "input resistance": "ohm", "output resistance": "ohm",
        "slew rate": "V/s", "offset": "V", "bias current": "A", "noise voltage": "",
        "noise corner": "Hz", "swing": "V", "swing drop": "V", "supply current": "A",
        "supply rejection": "dB", "output current": "A",
    },
    "triode": {
        "mu": "", "ex": "", "kg1": "", "kp": "", "kvb": "", "rgi": "ohm", "cgk": "F", "cag": "F",
    },
    "transformer": {"ratio": "", "primary resistance": "ohm", "coupling": ""},
}
_OWN["pentode"] = {**_OWN["triode"], "kg2": "", "cak": "F"}


def parameter_units(family: str) -> dict[str, str]:
    """The parameters that a family's model may state, each with its unit; empty for none."""
    if family in _SPICE:
        words = f"{_SPICE[family]} {_COMMON} {_INSTANCE[family]}"
        return dict.fromkeys(words.split(), "")
    return _OWN.get(family, {})


@dataclass(frozen=True)
class Device:
    """One generic device.

    Attributes
    ----------
    parameters : pairs
        SI; SPICE's names in capitals, or the macromodel's.
    spread : pairs
        Relative standard deviation from unit to unit (log-normal).
    behaviour : Behaviour or None
        Where a subcircuit of the user's says what it does.
    """

    name: str
    kind: str
    about: str = ""
    source: str = ""
    parameters: Pairs = ()
    spread: Pairs = ()
    behaviour: Behaviour | None = None


Own = Callable[[str, str], "Device | None"]
"""The user's own device of a name for a part of a kind; None where there is none of that name."""


@cache
def load_devices() -> dict[str, Device]:
    """The devices that ship, by name.

    Raises
    ------
    InputError
        For a file that breaks the schema.
    """
    devices: dict[str, Device] = {}
    for path in sorted(FOLDER.glob("*.yaml")):
        for name, device in read_devices(path).items():
            if name in devices:
                raise InputError(f"device {name!r} stands in two files", place=Place(str(path)))
            devices[name] = device
    return devices


def read_devices(path: Path) -> dict[str, Device]:
    """The devices of one file.

    Raises
    ------
    InputError
        With the place.
    """
    top = yamlfile.mapping(yamlfile.read(path), "a device file")
    return {name: _device(name, node) for name, node in top.entries.items()}


def _device(name: str, node: Node) -> Device:
    entry = yamlfile.mapping(
        node, "a device", ("kind", "about", "source", "model", "spread"), ("kind", "model")
    )
    written = yamlfile.choice(entry.entries["kind"], "part kind", kinds())
    family = kind(written).family
    parameters = read_parameters(entry.entries["model"], family)
    spread = entry.get("spread")
    about, source = entry.get("about"), entry.get("source")
    return Device(
        name=name,
        kind=written,
        about=yamlfile.text(about, "a description") if about else "",
        source=yamlfile.text(source, "a source") if source else "",
        parameters=parameters,
        spread=_spread(spread, parameters) if spread else (),
    )


def read_parameters(node: Node, family: str) -> Pairs:
    """A mapping of model parameters, as it stands in a device or in place in a part.

    Raises
    ------
    InputError
        For a word that is no parameter of the family, or a value that is no number or that no
        such device has.
    """
    units = parameter_units(family)
    mapping = yamlfile.mapping(node, "a model")
    read: dict[str, float] = {}
    for written, value in mapping.entries.items():
        name = _canonical(written, family)
        place = mapping.keys[written].place
        if name not in units:
            raise InputError(
                f"{written!r} is no parameter of a {family} model",
                place=place,
                expected="a parameter of the model",
                choices=units,
                given=name,
            )
        if name in read:
            raise InputError(f"{written!r} stands twice", place=place, expected="each once")
        read[name] = yamlfile.number(value, "a parameter", units[name])
        low, high = FIGURES[family][name]
        if not low <= read[name] <= high:
            raise InputError(
                f"{written} cannot be {read[name]:g}",
                place=value.place,
                expected=f"{render(low, units[name])} to {render(high, units[name])}",
            )
    return tuple(read.items())


def _spread(node: Node, parameters: Pairs) -> Pairs:
    mapping = yamlfile.mapping(node, "a spread", [name for name, _ in parameters])
    return tuple((name, percentage(value, "a spread")) for name, value in mapping.entries.items())


def _canonical(name: str, family: str) -> str:
    if family not in _SPICE:
        return name
    return {"CJ0": "CJO"}.get(name.upper(), name.upper())


def percentage(node: Node, what: str, most: float = 1.0) -> float:
    """A relative limit as a ratio; a number below 0.5 must say that it means per cent.

    Raises
    ------
    InputError
        For text that is no percentage, and for values outside 0 to `most`.
    """
    ratio = yamlfile.number(node, what, "%")
    assert isinstance(node, Text)
    if ratio < 0.005 and ratio != 0.0 and re.fullmatch(r"[0-9.,]+", node.value.strip()):
        raise InputError(
            f"{node.value!r} may mean {ratio * 1e4:g} % or {ratio * 100:g} %",
            place=node.place,
            expected="a percentage with its sign, such as 5 %",
        )
    if not 0.0 <= ratio <= most:
        raise InputError(
            f"{what} of {node.value} is not plausible",
            place=node.place,
            expected=f"0 to {most * 100:g} %",
        )
    return ratio


def device_of(
    node: Node | None, part_kind: str, name: Text, own: Own | None = None
) -> Device:
    """What a part's ``model`` stands for; an empty device for a kind that needs none.

    Parameters
    ----------
    node : Node or None
        The name of a device, a mapping of parameters, or nothing.
    name : Text
        The part's name where it stands, for messages.
    own : callable, optional
        Devices of the user's, which come before those that ship.

    Raises
    ------
    InputError
        When the device is missing, unknown or of another kind.
    """
    family = kind(part_kind).family
    fitting = [d.name for d in load_devices().values() if d.kind == part_kind]
    if node is None:
        default = DEFAULT_MODEL.get(part_kind)
        if default:
            return load_devices()[default]
        if parameter_units(family) and family != "transformer":
            raise InputError(
                f"{name.value} has no model",
                place=name.place,
                expected=f"model: a generic {part_kind}, or a mapping of its parameters",
                choices=fitting,
            )
        return Device("", part_kind)
    if not parameter_units(family):
        raise InputError(
            f"a part of kind {part_kind} takes no model",
            place=node.place,
            expected="value, tolerance and role only",
        )
    if isinstance(node, Mapping):
        return Device("", part_kind, parameters=read_parameters(node, family))
    word = yamlfile.text(node, "a model")
    if own is not None:
        try:
            mine = own(word, part_kind)
        except InputError as error:
            raise error.at(node.place) from None
        if mine is not None:
            return mine
    device = load_devices().get(word)
    if device is None:
        raise InputError(
            f"there is no device {word!r}",
            place=node.place,
            expected=f"the name of a generic {part_kind}, or a mapping of its parameters",
            choices=fitting,
            given=word,
        )
    if device.kind != part_kind:
        raise InputError(
            f"{word} is of kind {device.kind}, and {name.value} is of kind {part_kind}",
            place=node.place,
            expected=f"a device of kind {part_kind}",
            choices=fitting,
        )
    return device

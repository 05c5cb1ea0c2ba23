"""The ``supply`` block of a rail in a stage file, read strictly into a `Supply`."""

from __future__ import annotations

from circuits import supply as drawn
from circuits import yamlfile
from circuits.device import load_devices
from circuits.errors import InputError
from circuits.partfile import node_name, within
from circuits.quantity import render
from circuits.stage import Supply
from circuits.supply import Filter, Regulator
from circuits.yamlfile import Mapping, Node

_KEYS = (
    "rectifier", "reservoir", "reservoir esr", "series resistance", "current", "winding", "diode",
    "filter", "regulator", "name", "transformer",
)
_REQUIRED = ("rectifier", "reservoir", "current")
_LIMITS = {
    "reservoir": ("F", (1e-7, 1.0)),
    "capacitor": ("F", (1e-8, 1.0)),
    "reservoir esr": ("ohm", (1e-4, 1e3)),
    "esr": ("ohm", (1e-4, 1e3)),
    "series resistance": ("ohm", (1e-3, 1e5)),
    "resistor": ("ohm", (1e-3, 1e6)),
    "current": ("A", (1e-5, 100.0)),
    "winding": ("V", (0.1, 5000.0)),
    "zener": ("V", (0.5, 1000.0)),
    "input": ("V", (0.5, 5000.0)),
}
"""Unit, least and greatest value of every number of the block, beyond which a prefix is wrong
(judgement)."""
_REGULATION = 0.05
"""Series resistance over that of the load where none is stated (common practice for small
transformers: the voltage rises by a tenth or two without load)."""
_HEADROOM = 1.4
"""What a regulator is fed with over the rail's voltage where nothing is stated (judgement)."""


def read_supply(node: Node, volts: float) -> Supply:
    """The supply of a rail.

    Parameters
    ----------
    node : Node
        The block.
    volts : float
        Of the rail, V, of either sign.

    Raises
    ------
    InputError
        With the place.
    """
    block = yamlfile.mapping(node, "a supply", _KEYS, _REQUIRED)
    rectifier = yamlfile.choice(block.entries["rectifier"], "rectifier", drawn.DIODES)
    current = _number(block, "current")
    series = _number(block, "series resistance", _REGULATION * abs(volts) / current)
    smoothing = block.get("filter")
    regulator = block.get("regulator")
    supply = drawn.drawn(
        rectifier=rectifier,
        reservoir=_number(block, "reservoir"),
        current=current,
        series_resistance_=series,
        esr=_number(block, "reservoir esr"),
        diode=_device(block, "diode", "rectifier", "rectifier-diode"),
        filter_=None if smoothing is None else _filter(smoothing),
        regulator=None if regulator is None else _regulator(regulator, abs(volts)),
        name=_name(block, "name"),
        transformer=_name(block, "transformer"),
        winding=_number(block, "winding"),
    )
    if supply.winding:
        _enough(block, supply, abs(volts))
    return supply


def _enough(block: Mapping, made: Supply, volts: float) -> None:
    """The reservoir of a supply cannot have more than the peak of the winding."""
    needed = max(made.input, volts)
    if made.winding * 2.0**0.5 < needed:
        raise InputError(
            f"a winding of {render(made.winding, 'V')} has a peak of "
            f"{render(made.winding * 2.0**0.5, 'V')}, and {render(needed, 'V')} is wanted",
            place=block.entries["winding"].place,
            expected="V RMS of the winding, or of each half of it for full-wave",
        )


def _filter(node: Node) -> Filter:
    keys = ("resistor", "capacitor")
    block = yamlfile.mapping(node, "a filter", (*keys, "esr"), keys)
    return Filter(_number(block, "resistor"), _number(block, "capacitor"), _number(block, "esr"))


def _regulator(node: Node, volts: float) -> Regulator:
    keys = ("zener", "resistor", "input", "capacitor", "transistor")
    block = yamlfile.mapping(node, "a regulator", keys, ("zener", "resistor"))
    fed = _number(block, "input", _HEADROOM * volts)
    if fed <= volts:
        raise InputError(
            "a regulator is fed with more than it gives",
            place=block.entries["input"].place,
            expected=f"more than {render(volts, 'V')}",
        )
    return Regulator(
        _number(block, "zener"),
        _number(block, "resistor"),
        fed,
        _number(block, "capacitor"),
        _device(block, "transistor", "npn", ""),
    )


def _number(block: Mapping, key: str, default: float = 0.0) -> float:
    unit, limits = _LIMITS[key]
    return within(block.get(key), key, unit, limits, default)


def _device(block: Mapping, key: str, kind: str, default: str) -> str:
    node = block.get(key)
    if node is None:
        return default
    # of either polarity: a negative rail is the mirror image of a positive one
    fitting = [device.name for device in load_devices().values() if device.kind == kind]
    return yamlfile.choice(node, f"generic {kind}", fitting)


def _name(block: Mapping, key: str) -> str:
    node = block.get(key)
    return "" if node is None else node_name(node, f"the {key} of a supply").value

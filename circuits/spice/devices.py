"""Models and subcircuits of a netlist as devices of parts, with the figures of this project."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from circuits.circuit import Element, Model
from circuits.device import Device, parameter_units
from circuits.kinds import kind, kinds
from circuits.spice.controlled import REFERENCE
from circuits.spice.flat import Flat, FlatModel, Inside
from circuits.stage import Behaviour, Pairs

_KINDS = {
    "npn": ("npn",), "pnp": ("pnp",), "d": ("diode", "rectifier", "zener"), "njf": ("njf",),
    "pjf": ("pjf",), "nmos": ("nmos",), "pmos": ("pmos",), "vdmosn": ("nmos",),
    "vdmosp": ("pmos",),
}
"""SPICE's types of models, and the kinds of parts that have them."""

_ALSO = {
    "bipolar": {
        "VA": "VAF", "VB": "VAR", "IK": "IKF", "PE": "VJE", "ME": "MJE", "PC": "VJC", "MC": "MJC",
        "CCS": "CJS", "PS": "VJS", "MS": "MJS", "CJ0": "CJO",
    },
    "diode": {"CJ0": "CJO", "VB": "BV"},
    "jfet": {"VT0": "VTO"},
    "mosfet": {"VT0": "VTO", "VTH": "VTO", "VTH0": "VTO", "U0": "UO"},
}
"""Second names of figures (ngspice's manual, chapters 7 to 11)."""
_MORE = {
    "bipolar": "NKF ISS NS RCO VO GAMMA QCO",
    "diode": "ISR NR IKR JSW CJP PHP MJSW FCS TCV NS",
    "jfet": "BETATCE VTOTC",
    "mosfet": "TPG",
}
"""Figures that ngspice knows besides those of `circuits.device`, which only a model of the user's
can have; what is in neither says nothing to a simulator, such as a maker's name."""

_LEVELS = {
    1.0: "", 2.0: "DELTA NEFF NFS UCRIT UEXP VMAX XJ", 3.0: "DELTA ETA KAPPA NFS THETA VMAX XJ",
}
"""Levels of insulated-gate models, and what each has besides level 1 (as ngspice takes them)."""
_NOT = {"jfet": "N", "mosfet": "EG XTI"}
"""What `circuits.device` lets a family have and ngspice refuses."""
_VERTICAL = (
    "VTO KP PHI LAMBDA THETA RD RS RG RB RQ VQ MTRIODE KSUBTHRES SUBSHIFT BV IBV NBV RDS N TT EG "
    "XTI IS VJ FC CJO M CGDMIN CGDMAX A CGS KF AF TNOM"
)
"""Figures of a vertical power transistor."""

_PINS = {
    "non-inverting": "in+ inp +in non_inverting noninv vin+ ip plus inplus in_p +",
    "inverting": "in- inn -in inverting inv vin- im minus inminus in_n -",
    "output": "out output vout o",
    "positive rail": "v+ vcc vdd vp +vs vs+ vpos positive_rail vplus pos",
    "negative rail": "v- vee vss vn -vs vs- vneg negative_rail vminus neg",
    "anode": "a p anode plate", "screen": "g2 s screen sg", "grid": "g g1 grid",
    "cathode": "k c cathode kathode", "collector": "c collector", "base": "b base",
    "emitter": "e emitter", "drain": "d drain", "gate": "g gate", "source": "s source",
}
"""Names that pins of subcircuits have, by the pin of a part."""
_USUAL = {
    "opamp": ("non-inverting", "inverting", "positive rail", "negative rail", "output"),
}
"""The order of pins that macromodels have where their names tell nothing (common practice)."""


@dataclass(frozen=True)
class Taken:
    """A model of a netlist as a device.

    Attributes
    ----------
    kinds : tuple of str
        Kinds of parts that can have it.
    dropped : tuple of str
        What of it no simulator heeds.
    """

    kinds: tuple[str, ...]
    parameters: Pairs
    dropped: tuple[str, ...]


def taken(model: FlatModel) -> Taken:
    """A model as figures of a device.

    Raises
    ------
    InputError
        For a type or level that no part has.
    """
    type_ = model.type
    if type_ == "vdmos":
        type_ = "vdmosp" if "pchan" in model.flags or model.parameters.get("pchan") else "vdmosn"
    fitting = _KINDS.get(type_)
    if fitting is None:
        raise model.word.refuse(f"no part has a model of the type {model.type!r}",
                                "a type of model", [*_KINDS, "vdmos"], model.type)
    family = kind(fitting[0]).family
    level = model.parameters.get("level", 1.0)
    known = {*parameter_units(family), *_MORE[family].split()} - {*_NOT.get(family, "").split()}
    if type_.startswith("vdmos"):
        known = {*_VERTICAL.split()}
    elif family == "mosfet":
        known |= {*_LEVELS.get(level, "").split()}
        known -= {"LAMBDA"} if level == 3.0 else set()
    found: dict[str, float] = {"VDMOS": 1.0} if type_.startswith("vdmos") else {}
    dropped = [flag for flag in model.flags if flag not in ("pchan", "nchan")]
    if level not in (_LEVELS if family == "mosfet" else (1.0,)):
        raise model.word.refuse(f"a {model.type} model of level {level:g} is not known here",
                                "level 1" + (" to 3" if family == "mosfet" else ""))
    for name, value in model.parameters.items():
        word = _ALSO[family].get(name.upper(), name.upper())
        if word == "LEVEL" and (family != "mosfet" or type_.startswith("vdmos")):
            continue
        if name == "pchan":
            continue
        if word not in known or not math.isfinite(value):
            dropped.append(name)
        else:
            found[word] = value
    return Taken(fitting, tuple(found.items()), tuple(dropped))


def spice(made: Taken, type_: str) -> tuple[str, Pairs]:
    """Type and parameters of a model as every ngspice reads them."""
    if not type_.startswith("vdmos"):
        return type_, made.parameters
    polarity: Pairs = (("pchan", 1.0),) if made.kinds == ("pmos",) else ()
    return "vdmos", (*polarity, *(pair for pair in made.parameters if pair[0] != "VDMOS"))


def device(name: str, model: FlatModel, part_kind: str) -> Device:
    """A model as the device of a part of a kind.

    Raises
    ------
    InputError
        For a kind that it does not fit.
    """
    made = taken(model)
    if part_kind not in made.kinds:
        raise model.word.refuse(f"{name} is a model of {' or '.join(made.kinds)}, not {part_kind}",
                                f"a part of kind {made.kinds[0]}")
    parameters = made.parameters
    if part_kind == "zener":  # its breakdown voltage is the value of the part
        parameters = tuple(pair for pair in parameters if pair[0] != "BV")
    return Device(name, part_kind, parameters=parameters)


def order(pins: tuple[str, ...], part_kind: str) -> tuple[tuple[int, ...], bool] | None:
    """Which pin of a subcircuit is which pin of a part.

    Returns
    -------
    positions : tuple of int
        For every pin of the part, its place among `pins`.
    named : bool
        Whether the names say so; else it is the usual order.
    None where there are too few or too many.
    """
    about = kind(part_kind)
    fitting = {len(about.pins), len(about.pins) - about.optional_pins}
    if len(pins) not in fitting:
        return None
    wanted = about.pins[: len(pins)]
    low = [re.sub(r"^[x]_", "", pin.lower()) for pin in pins]
    places = []
    for pin in wanted:
        names = _PINS.get(pin, "").split()
        places.append(next((k for k, word in enumerate(low) if word in names), -1))
    if -1 not in places and len({*places}) == len(places):
        return tuple(places), True
    usual = [pin for pin in _USUAL.get(about.family, wanted) if pin in wanted]
    return tuple(usual.index(pin) for pin in wanted), False


def fitting_kinds(count: int) -> list[str]:
    """Kinds of parts that so many pins fit."""
    return [
        about.name for about in kinds().values()
        if count in (len(about.pins), len(about.pins) - about.optional_pins)
    ]


def behaviour(inside: Inside, places: tuple[int, ...]) -> Behaviour:
    """A subcircuit as the behaviour of a part, its names numbered.

    Parameters
    ----------
    places : tuple of int
        As `order` gives them.

    Raises
    ------
    InputError
        For an element that cannot stand in a behaviour.
    """
    nodes = {"0": "0", **{inside.pins[at]: f"p{k}" for k, at in enumerate(places)}}
    names = {e.name: f"{e.letter}{k}" for k, e in enumerate(inside.elements, 1)}
    models = {name: f"m{k}" for k, name in enumerate(inside.models, 1)}

    def node(name: str) -> str:
        return nodes.setdefault(name, f"n{len(nodes)}")

    elements = tuple(_element(e, names, models, node) for e in inside.elements)
    cards = []
    for name, model in inside.models.items():
        if model.type in ("r", "c", "l", "res", "cap", "ind"):
            continue
        made = taken(model)
        type_, pairs = spice(made, model.type)
        cards.append(Model(models[name], type_, pairs))
    return Behaviour(elements, tuple(cards))


def _element(flat: Flat, names: dict[str, str], models: dict[str, str], node: object) -> Element:
    assert callable(node)
    for other in flat.others:
        if other not in names:
            raise flat.word.refuse(f"{flat.label} follows {other!r}, which is not beside it",
                                   "an element of the same subcircuit", names, other)
    name, value, text = names[flat.name], flat.value, flat.text
    nodes = tuple(node(n) for n in flat.nodes)
    many = flat.parameters.get("m", 1.0)
    if not many > 0.0:
        raise flat.word.refuse(f"{flat.label} has a multiplier of {many:g}", "m=1 or more")
    if flat.letter == "k":
        if len(flat.others) != 2:
            raise flat.word.refuse("three windings on one core cannot be read", "two inductors")
        return Element(name, tuple(names[o] for o in flat.others), None, repr(value))
    if flat.letter == "r":
        value = max(abs(value or 0.0) / many, 1e-3)
    elif flat.letter == "l":
        value = (value or 0.0) / many
    elif flat.letter == "c":
        value = (value or 0.0) * many
    elif flat.letter == "b":
        def put(match: re.Match[str]) -> str:
            if match[1] != "~":
                return f"{{{node(match[2])}}}"
            if match[2] not in names:
                raise flat.word.refuse(f"{flat.label} follows {match[2]!r}, which is not beside it",
                                       "an element of the same subcircuit")
            return f"{{~{names[match[2]]}}}"

        return Element(name, nodes, None, REFERENCE.sub(put, text))
    elif flat.letter in "fh":
        text = f"{{~{names[flat.others[0]]}}}"
    elif flat.letter in "dqjm":
        if not flat.model:
            raise flat.word.refuse(f"there is no model {flat.unknown!r} here", ".model",
                                   given=flat.unknown)
        words = [f"{{%{models[flat.model]}}}"]
        words += [f"{k}={v!r}" for k, v in flat.parameters.items()
                  if k in ("area", "m", "l", "w", "ad", "as", "pd", "ps", "nrd", "nrs")]
        return Element(name, nodes, None, " ".join(words))
    elif flat.letter in "vi":
        text = ""
    return Element(name, nodes, value, text)

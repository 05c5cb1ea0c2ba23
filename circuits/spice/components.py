"""Components of a schematic editor as parts of a stage, and nets as its rails.

Such a netlist has values as a schematic prints them (``4k7`` is 4.7 kΩ here), no models and no
sources: what a part is follows from reference, value, the symbol's description and the footprint,
and rails from the names of nets. All of it is a guess, and asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from circuits.errors import InputError, Place
from circuits.kinds import kind
from circuits.partfile import series_resistance
from circuits.quantity import parse
from circuits.spice.deck import Left
from circuits.spice.drafts import Drafts, generic
from circuits.spice.guess import OF_STAGE
from circuits.spice.materials import capacitor_kind, resistor_kind
from circuits.spice.naming import part_name
from circuits.spice.sexpressions import Component, components, place_of
from circuits.spice.sources import Surroundings
from circuits.stage import GROUND, Part

_EARTH = re.compile(r"/?(?:.*/)?(?:0|a?gnd[ad]?\w{0,4}|earth|vss_?gnd|ground|0v)", re.IGNORECASE)
_VOLTS = re.compile(r"/?(?:.*/)?([+-])(\d+(?:\.\d+)?)V(\d*)\w*", re.IGNORECASE)
_POSITIVE = re.compile(r"/?(?:.*/)?(?:v(?:cc|dd|aa|pp|\+)|\+v\w*|b\+|ht\+?|v\+)\w{0,2}",
                       re.IGNORECASE)
_NEGATIVE = re.compile(r"/?(?:.*/)?(?:v(?:ee|ss|nn|-)|-v\w*|v-)\w{0,2}", re.IGNORECASE)
_USUAL_VOLTS = 12.0
"""V of a rail whose name does not tell (a guess that is asked)."""
_PREFIX = re.compile(r"[A-Za-z]+")
_SKIPPED = ("H", "TP", "MK", "FID", "LOGO", "JP", "J", "P", "CN", "X", "LS", "BT", "PWR", "FLG",
            "G", "NT", "SYM", "REF")
"""References of what is no part of a stage: connectors, test points, holes, loudspeakers."""
_FOOTPRINTS = (
    (re.compile(r"tantal|cp_emd", re.IGNORECASE), "tantalum"),
    (re.compile(r"cp_|_elec|polari[sz]ed|capacitors?_polar", re.IGNORECASE), "electrolytic"),
    (re.compile(r"c_disc|ceramic|c_\d{4}|mlcc", re.IGNORECASE), "ceramic"),
    (re.compile(r"c_rect|c_axial|film|mk[ptcs]_|mk[pt]", re.IGNORECASE), "film"),
    (re.compile(r"r_axial_power|wirewound|r_box", re.IGNORECASE), "wirewound"),
)
"""What a footprint's name hints at."""
_WORDS = (
    (re.compile(r"\bpnp\b|q_pnp", re.IGNORECASE), "pnp"),
    (re.compile(r"\bnpn\b|q_npn", re.IGNORECASE), "npn"),
    (re.compile(r"p-?(?:channel|ch)?\s*-?\s*jfet|pjf|q_pjfet", re.IGNORECASE), "pjf"),
    (re.compile(r"n-?(?:channel|ch)?\s*-?\s*jfet|njf|q_njfet", re.IGNORECASE), "njf"),
    (re.compile(r"pmos|p-?(?:channel|ch)", re.IGNORECASE), "pmos"),
    (re.compile(r"nmos|n-?(?:channel|ch)", re.IGNORECASE), "nmos"),
    (re.compile(r"zener", re.IGNORECASE), "zener"),
    (re.compile(r"pentode", re.IGNORECASE), "pentode"),
    (re.compile(r"triode", re.IGNORECASE), "triode"),
    (re.compile(r"op-?amp|operational", re.IGNORECASE), "opamp"),
)
"""What a symbol's name or description says."""
_DEVICES = {
    "npn": "small-signal-npn", "pnp": "small-signal-pnp", "njf": "low-noise-njf",
    "nmos": "power-nmos", "pmos": "power-pmos", "diode": "small-signal-diode",
    "rectifier": "rectifier-diode", "zener": "zener", "opamp": "general-opamp",
    "triode": "small-triode",
}
_PINS = {
    "non-inverting": "+ in+ +in", "inverting": "- in- -in", "positive rail": "v+ vcc vdd vs+",
    "negative rail": "v- vee vss vs- gnd", "output": "out ~ output",
    "collector": "c", "base": "b", "emitter": "e", "drain": "d", "gate": "g g1", "source": "s",
    "anode": "a p", "cathode": "k c", "grid": "g g1", "screen": "g2 s",
}
_NUMBERS = {
    # industry-standard packages of op-amps: one of eight pins, two of eight (common practice)
    "one": {"non-inverting": "3", "inverting": "2", "output": "6", "positive rail": "7",
            "negative rail": "4"},
    "two": ({"non-inverting": "3", "inverting": "2", "output": "1"},
            {"non-inverting": "5", "inverting": "6", "output": "7"}),
}


def drafted(text: str, name: str) -> tuple[str, Drafts, Surroundings]:
    """Title, parts, and rails of a netlist.

    Raises
    ------
    InputError
        With the place of a component that cannot be read.
    """
    title, found = components(text, name)
    made = Drafts()
    around = Surroundings(why="the name of its net")
    _rails(found, made, around)
    for component in found:
        prefix = (_PREFIX.match(component.ref) or [""])[0].upper()
        if prefix in _SKIPPED or not component.pins or component.ref.startswith("#"):
            made.left.append(Left(f"{component.ref} {component.value}".strip(),
                                  "no part of the stage, or connected to nothing", Place("")))
            continue
        maker = _MAKERS.get(prefix) or _MAKERS.get(prefix[:1])
        if maker is None:
            raise InputError(f"{component.ref} is nothing that is known here",
                             place=place_of(text, component.ref, name),
                             expected="R, RV, C, L, D, Q, U, V, F, S or K with a number")
        try:
            maker(made, component, lambda net: _node(around, net))
        except InputError as error:
            raise error.at(place_of(text, component.ref, name)) from None
    return title, made, around


# -- rails -----------------------------------------------------------------------------------------


def _rails(found: Sequence[Component], made: Drafts, around: Surroundings) -> None:
    nets = list(dict.fromkeys(net for component in found for net in component.pins.values()))
    for net in nets:
        low = net.lower()
        if _EARTH.fullmatch(net):
            around.wires[low] = GROUND
            continue
        match = _VOLTS.fullmatch(net)
        if match:
            volts = float(f"{match[1]}{match[2]}{'.' + match[3] if match[3] else ''}")
        elif _POSITIVE.fullmatch(net) or _NEGATIVE.fullmatch(net):
            volts = _USUAL_VOLTS if _POSITIVE.fullmatch(net) else -_USUAL_VOLTS
            made.guess(OF_STAGE, "rails", f"{net} {volts:g} V", "nothing tells how many",
                       f"How many volts has {net}?")
        else:
            continue
        around.rails[low] = volts


def _node(around: Surroundings, net: str) -> str:
    return around.node(net.lower())


# -- parts -----------------------------------------------------------------------------------------

Node = Callable[[str], str]


def _add(made: Drafts, part: Part) -> None:
    if len({*part.nodes}) == 1:
        made.left.append(Left(part.name, "all its pins are on one net", Place("")))
        return
    tolerance = kind(part.kind).tolerance
    esr = series_resistance(part.kind, part.value)
    made.parts[part.name] = replace(part, tolerance=tolerance, esr=esr)


def _two(component: Component, node: Node) -> tuple[str, str]:
    pins = sorted(component.pins, key=lambda pin: (len(pin), pin))
    if len(pins) != 2:
        raise InputError(f"{component.ref} is connected by {len(pins)} pins", expected="two")
    return node(component.pins[pins[0]]), node(component.pins[pins[1]])


def _value(component: Component, unit: str) -> float:
    word = re.split(r"[\s,;/]", component.value.strip())[0]
    try:
        return parse(word, unit)
    except InputError as error:
        raise InputError(f"{component.ref}: {error.message}", expected=error.expected) from None


def _hint(component: Component, default: str, why: str, family: str) -> tuple[str, str]:
    for pattern, word in _FOOTPRINTS:
        if pattern.search(component.footprint) and kind(word).family == family:
            return word, f"its footprint, {component.footprint.rpartition(':')[2][:30]}"
    return default, why


def _resistor(made: Drafts, component: Component, node: Node) -> None:
    ohms = _value(component, "ohm")
    word, why = _hint(component, *resistor_kind(ohms), "resistor")
    name = part_name(component.ref, made.parts)
    made.guess(name, "kind", word, why, f"What is {name} made of?")
    _add(made, Part(name, word, _two(component, node), ohms))


def _control(made: Drafts, component: Component, node: Node) -> None:
    name = part_name(component.ref, made.parts)
    pins = sorted(component.pins, key=lambda pin: (len(pin), pin))
    nodes = tuple(node(component.pins[pin]) for pin in pins)
    if len(nodes) not in (2, 3):
        raise InputError(f"{name} is connected by {len(nodes)} pins", expected="two or three")
    made.guess(name, "kind", "trimmer", "its reference", f"Is {name} a trimmer or a control?")
    made.guess(name, "position", "0.5", "nothing tells", f"Where does the wiper of {name} stand?")
    _add(made, Part(name, "trimmer", nodes, _value(component, "ohm")))


def _capacitor(made: Drafts, component: Component, node: Node) -> None:
    farads = _value(component, "F")
    word, why = _hint(component, *capacitor_kind(farads), "capacitor")
    name = part_name(component.ref, made.parts)
    made.guess(name, "kind", word, why, f"What is {name} made of?")
    _add(made, Part(name, word, _two(component, node), farads))


def _coil(made: Drafts, component: Component, node: Node) -> None:
    name = part_name(component.ref, made.parts)
    _add(made, Part(name, "inductor", _two(component, node), _value(component, "H")))


def _contact(made: Drafts, component: Component, node: Node) -> None:
    word = {"F": "fuse", "K": "relay", "S": "switch"}[component.ref[0].upper()]
    name = part_name(component.ref, made.parts)
    made.guess(name, "kind", word, "its reference", f"What is {name}?")
    _add(made, Part(name, word, _two(component, node), kind(word).value))


def _said_kind(component: Component, allowed: Sequence[str]) -> str:
    words = f"{component.words} {component.value}"
    return next((w for pattern, w in _WORDS if w in allowed and pattern.search(words)), "")


def _by_name(component: Component, wanted: Sequence[str]) -> list[str] | None:
    """Numbers of the pins wanted, by their names; None where these do not tell."""
    found = []
    for pin in wanted:
        names = _PINS[pin].split()
        match = [n for n, word in component.names.items()
                 if word.lower() in names and n in component.pins]
        if len(match) != 1:
            return None
        found.append(match[0])
    return found if len({*found}) == len(wanted) else None


def _device(made: Drafts, component: Component, node: Node, word: str, why: str) -> None:
    wanted = kind(word).pins
    name = part_name(component.ref, made.parts)
    pins = _by_name(component, wanted)
    if pins is None:
        pins = sorted(component.pins, key=lambda pin: (len(pin), pin))
        if word in ("diode", "zener", "rectifier"):
            pins = pins[::-1]  # symbols of diodes number the cathode first (common practice)
        made.guess(name, "pins", ", ".join(f"{n} is the {p}" for n, p in zip(
            pins, wanted, strict=False)), "their numbers", f"Is this the order of {name}?")
    if len(pins) != len(wanted):
        raise InputError(f"{name} is connected by {len(pins)} pins", expected=f"{len(wanted)}")
    made.guess(name, "kind", word, why, f"What is {name}?")
    model = _DEVICES.get(word, "")
    if not model:
        raise InputError(f"{name} is of kind {word}, and there is no generic device of it",
                         expected="a netlist in SPICE's form with a .model")
    made.guess(name, "model", model, "an editor's netlist has no models",
               f"What sort of device is {name} ({component.value})?")
    nodes = tuple(node(component.pins[pin]) for pin in pins)
    volts = _zener_volts(component) if word == "zener" else None
    _add(made, generic(Part(name, word, nodes, volts), model))


def _zener_volts(component: Component) -> float:
    match = re.search(r"(\d+)[vV](\d*)|(\d+(?:\.\d+)?)\s*V", component.value)
    if match is None:
        raise InputError(f"{component.ref}: {component.value!r} does not tell its voltage",
                         expected="a value such as 5V6")
    return float(match[3]) if match[3] else float(f"{match[1]}.{match[2] or 0}")


def _diode(made: Drafts, component: Component, node: Node) -> None:
    word = _said_kind(component, ("zener",)) or "diode"
    _device(made, component, node, word, "its symbol" if word == "zener" else "the usual one")


def _transistor(made: Drafts, component: Component, node: Node) -> None:
    word = _said_kind(component, ("pnp", "npn", "pjf", "njf", "pmos", "nmos"))
    _device(made, component, node, word or "npn", "its symbol" if word else "nothing tells")


def _valve(made: Drafts, component: Component, node: Node) -> None:
    word = _said_kind(component, ("pentode", "triode"))
    _device(made, component, node, word or "triode", "its symbol" if word else "nothing tells")


def _opamp(made: Drafts, component: Component, node: Node) -> None:
    """One or two op-amps in a package of eight pins, or one whose pins have names."""
    pins = component.pins
    wanted = kind("opamp").pins
    named = _by_name(component, wanted)
    numbered: list[dict[str, str]] = []
    if named is not None:
        numbered = [dict(zip(wanted, named, strict=True))]
    elif {"1", "2", "3", "4", "8"} <= {*pins} and {"5", "6", "7"} & {*pins}:
        supply = {"positive rail": "8", "negative rail": "4"}
        numbered = [{**two, **supply} for two in _NUMBERS["two"] if isinstance(two, Mapping)
                    and {*two.values()} <= {*pins}]
    elif {"2", "3", "4", "6", "7"} <= {*pins}:
        one = _NUMBERS["one"]
        assert isinstance(one, Mapping)
        numbered = [dict(one)]
    if not numbered:
        raise InputError(f"the pins of {component.ref} are those of no op-amp that is known here",
                         expected="named pins, or the usual package of eight pins")
    for k, order in enumerate(numbered):
        suffix = "" if len(numbered) == 1 else "AB"[k]
        name = part_name(component.ref + suffix, made.parts)
        made.guess(name, "kind", "opamp", "its reference and pins", f"Is {name} an op-amp?")
        if named is None:
            made.guess(name, "pins", "the usual package of eight pins", "their numbers",
                       f"Is this the order of {name}?")
        made.guess(name, "model", "general-opamp", "an editor's netlist has no models",
                   f"What sort of op-amp is {name} ({component.value})?")
        nodes = tuple(node(pins[order[pin]]) for pin in wanted)
        if nodes[0] == nodes[2] or (nodes[1] == nodes[2] and nodes[0] in (GROUND,)):
            made.left.append(Left(name, "a half that is not used", Place("")))
            made.guesses = [g for g in made.guesses if g.of != name]
            continue
        _add(made, generic(Part(name, "opamp", nodes), "general-opamp"))


_MAKERS: Mapping[str, Callable[[Drafts, Component, Node], None]] = {
    "R": _resistor, "RV": _control, "VR": _control, "POT": _control, "C": _capacitor, "L": _coil,
    "D": _diode, "Q": _transistor, "T": _transistor, "U": _opamp, "IC": _opamp, "V": _valve,
    "F": _contact, "SW": _contact, "S": _contact, "K": _contact,
}

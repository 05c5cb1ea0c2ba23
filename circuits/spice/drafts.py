"""Elements of a flat netlist as parts of a stage, each with what had to be guessed of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from circuits.device import load_devices
from circuits.kinds import kind
from circuits.partfile import PLAUSIBLE, series_resistance
from circuits.quantity import render
from circuits.spice import devices
from circuits.spice.deck import Left
from circuits.spice.flat import Flat, FlatModel, Netlist
from circuits.spice.guess import Guess
from circuits.spice.materials import capacitor_kind, resistor_kind
from circuits.spice.naming import part_name
from circuits.stage import GROUND, Behaviour, Pairs, Part

_TRIMMER = re.compile(r"(?:rv|vr|rp|pot|trim|p)\d.*|.*(?:pot|trim).*", re.IGNORECASE)
_HALF = re.compile(r"(.*?)[_.]?(a|b|1|2|t|top|up|upper|bot|bottom|low|lower)", re.IGNORECASE)
_UPPER = ("a", "1", "t", "top", "up", "upper")
_OPAMP = re.compile(r"x?(?:u|ic|op)", re.IGNORECASE)
_VALVE = re.compile(r"x?(?:v|t|tube|triode)\d|.*(?:triode|pentode|valve|tube)", re.IGNORECASE)
_REGULATOR = 75.0
"""V of breakdown below which a diode is there for that (common practice)."""
Names = Callable[[str], str]


@dataclass
class Drafts:
    """Parts as they come out of a netlist.

    Attributes
    ----------
    parts : dict of name to Part
        Nodes are still those of the netlist.
    cards : dict of str to str
        Lines of a library, by the name of the device that they make.
    """

    parts: dict[str, Part] = field(default_factory=dict)
    guesses: list[Guess] = field(default_factory=list)
    left: list[Left] = field(default_factory=list)
    cards: dict[str, str] = field(default_factory=dict)

    def guess(self, of: str, word: str, value: str, why: str, question: str) -> None:
        """Note a guess."""
        self.guesses.append(Guess(of, word, value, why, question))


def drafts(netlist: Netlist, node: Names, supplies: Sequence[str]) -> Drafts:
    """The parts of a netlist; sources are not among them.

    Parameters
    ----------
    node : callable
        The node that a name stands for when wires are wires.
    supplies : sequence of str
        Rails.

    Raises
    ------
    InputError
        For what no part is, at its line.
    """
    made = _Maker(netlist, node, {GROUND, *supplies})
    coupled = made.transformers()
    for element in netlist.elements:
        if element.letter in "vibefghk" or element.name in coupled:
            continue
        made.take(element)
    made.trimmers()
    return made.out


def printed_value(value: float) -> float:
    """A value without what arithmetic of a netlist leaves in the last digits (0.47*1k)."""
    return float(f"{value:.12g}")


class _Maker:
    """Makes the parts of one netlist."""

    def __init__(self, netlist: Netlist, node: Names, still: set[str]) -> None:
        self.netlist, self.node, self.still = netlist, node, still
        self.out = Drafts()
        self.texts: dict[str, str] = {}

    def take(self, element: Flat) -> None:
        nodes = tuple(self.node(name) for name in element.nodes)
        if len({*nodes}) == 1:
            self.leave(element, "all its pins are on one node")
            return
        name = part_name(element.label, self.out.parts)
        {"r": self.resistor, "c": self.capacitor, "l": self.inductor, "d": self.diode,
         "x": self.subcircuit}.get(element.letter, self.transistor)(element, name, nodes)

    def leave(self, element: Flat, why: str) -> None:
        row = element.word.source.rows[element.word.line - 1].strip()
        self.out.left.append(Left(row[:60], why, element.word.place))

    def add(self, part: Part) -> None:
        about = kind(part.kind)
        self.out.parts[part.name] = replace(part, tolerance=part.tolerance or about.tolerance)

    # -- passive parts ---------------------------------------------------------------------------

    def value(self, element: Flat, unit: str) -> float:
        value = element.value or 0.0
        many = element.parameters.get("m", 1.0) * element.parameters.get("scale", 1.0)
        if not many > 0.0:
            raise element.word.refuse(f"{element.label} has a multiplier of {many:g}",
                                      "m=1 or more")
        low, high = PLAUSIBLE[unit]
        value = printed_value(value * many if unit == "F" else value / many)
        if not low <= value <= high:
            raise element.word.refuse(
                f"{element.label} has {render(value, unit)}, as SPICE reads it",
                f"{render(low, unit)} to {render(high, unit)}; M is a milli, and mega is Meg")
        return value

    def resistor(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        if not element.value:
            # what ngspice makes of none; a plain wire has been taken out before
            element = replace(element, value=PLAUSIBLE["ohm"][0])
        value = self.value(element, "ohm")
        if _TRIMMER.fullmatch(name.rpartition(".")[2]) and not _HALF.fullmatch(name):
            self.out.guess(name, "kind", "trimmer", "its name",
                           f"Is {name} a trimmer, and what is the whole of it?")
            self.out.guess(name, "position", "1", "nothing tells",
                           f"Where does the wiper of {name} stand?")
            self.add(Part(name, "trimmer", nodes, value, position=1.0))
            return
        word, why = resistor_kind(value)
        self.out.guess(name, "kind", word, why, f"What is {name} made of?")
        self.add(printed(Part(name, word, nodes, value), element, "pwr"))

    def capacitor(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        if 0.0 <= (element.value or 0.0) < PLAUSIBLE["F"][0]:
            self.leave(element, "less than any part has")
            return
        value = self.value(element, "F")
        word, why = capacitor_kind(value, decouples=self.still >= {*nodes})
        self.out.guess(name, "kind", word, why, f"What is {name} made of?")
        esr = element.parameters.get("rser", series_resistance(word, value))
        self.add(printed(Part(name, word, nodes, value, esr=esr), element, "v"))

    def inductor(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        self.add(Part(name, "inductor", nodes, self.value(element, "H"),
                      esr=element.parameters.get("rser", 0.0)))

    def transformers(self) -> set[str]:
        """Pairs of windings; gives the names of the inductors that they took."""
        by_name = {e.name: e for e in self.netlist.elements if e.letter == "l"}
        gone: set[str] = set()
        for element in self.netlist.elements:
            if element.letter != "k":
                continue
            pair = [by_name.get(name) for name in element.others]
            if len(pair) != 2 or pair[0] is None or pair[1] is None or gone & {*element.others}:
                raise element.word.refuse(
                    f"{element.label} couples what no part of a stage is",
                    "two inductors of this netlist, each coupled once")
            first, second = pair[0], pair[1]
            primary, secondary = self.value(first, "H"), self.value(second, "H")
            name = part_name(element.label, self.out.parts)
            self.out.guess(name, "value", "1 ohm in the primary", "a netlist has windings without",
                           f"What is the resistance of the primary of {name}?")
            ratio = printed_value((primary / secondary) ** 0.5)
            figures = (("ratio", ratio), ("primary resistance", 1.0),
                       ("coupling", min(element.value or 0.0, 1.0)))
            nodes = tuple(self.node(n) for n in (*first.nodes, *second.nodes))
            self.add(Part(name, "transformer", nodes, primary, parameters=figures))
            gone |= {*element.others}
        return gone

    def trimmers(self) -> None:
        """Two resistors whose names say that they are halves of one, with a wiper between them."""
        halves: dict[str, list[Part]] = {}
        for part in self.out.parts.values():
            match = _HALF.fullmatch(part.name)
            if match and kind(part.kind).family == "resistor" and _TRIMMER.fullmatch(
                    match[1].rpartition(".")[2]):
                halves.setdefault(match[1], []).append(part)
        for stem, pair in halves.items():
            shared = {*pair[0].nodes} & {*pair[-1].nodes}
            if len(pair) != 2 or len(shared) != 1 or stem in self.out.parts:
                continue
            upper, lower = sorted(pair, key=lambda p: _suffix(p.name) not in _UPPER)
            (wiper,) = shared
            top, bottom = (next(n for n in p.nodes if n != wiper) for p in (upper, lower))
            whole = printed_value((upper.value or 0.0) + (lower.value or 0.0))
            place = printed_value((lower.value or 0.0) / whole)
            for part in pair:
                del self.out.parts[part.name]
            self.out.guesses = [g for g in self.out.guesses if g.of not in (upper.name, lower.name)]
            self.add(Part(stem, "trimmer", (top, wiper, bottom), whole, position=place))
            self.out.guess(stem, "kind", "trimmer", f"{upper.name} and {lower.name} are its halves",
                           f"Is {stem} a trimmer?")

    # -- devices ---------------------------------------------------------------------------------

    def diode(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        if not element.model:
            self.unknown(element, name, nodes[:2], "diode", "small-signal-diode")
            return
        figures = dict(devices.taken(self.netlist.models[element.model]).parameters)
        breakdown = figures.get("BV", 0.0)
        if 0.0 < breakdown <= _REGULATOR:
            word, why = "zener", f"it breaks down at {render(breakdown, 'V')}"
        elif figures.get("RS", 1.0) < 0.1:
            word, why = "rectifier", "its series resistance is low"
        else:
            word, why = "diode", "nothing speaks against it"
        self.out.guess(name, "kind", word, why, f"What sort of diode is {name}?")
        self.device(element, name, nodes[:2], word, breakdown if word == "zener" else None)

    def transistor(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        if not element.model:
            word, model = {
                "q": ("npn", "small-signal-npn"), "j": ("njf", "low-noise-njf"),
                "m": ("nmos", "power-nmos"),
            }[element.letter]
            self.out.guess(name, "kind", word, "the netlist has no model of it",
                           f"Is {name} {word} or of the other polarity?")
            self.unknown(element, name, nodes[:3], word, model)
            return
        if len(nodes) == 4 and element.letter == "m" and nodes[3] != nodes[2]:
            self.leave(element, "its bulk is taken as tied to the source")
        fitting = devices.taken(self.netlist.models[element.model]).kinds
        self.device(element, name, nodes[:3], fitting[0])

    def unknown(self, element: Flat, name: str, nodes: tuple[str, ...], word: str,
                model: str) -> None:
        """A device whose model the netlist does not have."""
        self.out.guess(name, "model", model, f"there is no model {element.unknown!r}",
                       f"What sort of device is {name} ({element.unknown})?")
        self.add(generic(Part(name, word, nodes), model))

    def device(self, element: Flat, name: str, nodes: tuple[str, ...], word: str,
               value: float | None = None) -> None:
        model = self.netlist.models[element.model]
        own = instance(element, word, model.type.startswith("vdmos"))
        made = devices.taken(model)
        if made.dropped:
            self.out.left.append(Left(f"{model.name}: {', '.join(made.dropped)}"[:60],
                                      "says nothing to a simulator", model.word.place))
        title = self.named(model, card(model, own))
        self.add(Part(name, word, nodes, value, model=title,
                      parameters=(*devices.device(title, model, word).parameters, *own)))

    def named(self, model: FlatModel, text: str) -> str:
        """A name for a device of this text; the same text has one name."""
        word = re.sub(r"[^A-Za-z0-9_-]", "_", model.name.rpartition(":")[2])
        title, k = word, 2
        while self.out.cards.get(title, text.format(title)) != text.format(title):
            title, k = f"{word}-{k}", k + 1
        self.out.cards[title] = text.format(title)
        return title

    def subcircuit(self, element: Flat, name: str, nodes: tuple[str, ...]) -> None:
        assert element.inside is not None
        inside = element.inside
        stem = name.rpartition(".")[2]
        name = part_name(re.sub(r"^[xX](?=[A-Za-z])", "", element.label), self.out.parts)
        word, why = _sort(inside.pins, f"{stem} {inside.name}")
        found = devices.order(inside.pins, word) if word else None
        if not word or found is None:
            raise element.word.refuse(
                f"{element.label} is a subcircuit of {len(inside.pins)} pins, and no part is",
                "three pins, or five of an op-amp", devices.fitting_kinds(len(inside.pins)))
        places, named = found
        self.out.guess(name, "kind", word, why, f"What is {name}?")
        if not named:
            pins = ", ".join(
                f"{inside.pins[at]} is the {pin}"
                for at, pin in zip(places, kind(word).pins, strict=False))
            self.out.guess(name, "pins", pins, "the usual order",
                           f"Is this the order of the pins of {inside.name}?")
        behaviour = devices.behaviour(inside, places)
        title = self.block(inside.name, behaviour, word, len(places))
        self.add(Part(name, word, tuple(nodes[at] for at in places), model=title,
                      behaviour=behaviour))

    def block(self, name: str, behaviour: Behaviour, word: str, count: int) -> str:
        """A name for a subcircuit of this inside."""
        stem = re.sub(r"[^A-Za-z0-9_-]", "_", name)
        title, k = stem, 2
        while self.out.cards.get(title) not in (None, subcircuit(title, behaviour, word, count)):
            title, k = f"{stem}-{k}", k + 1
        self.out.cards[title] = subcircuit(title, behaviour, word, count)
        return title


def printed(part: Part, element: Flat, borne: str) -> Part:
    """A part with tolerance and rating where some simulator prints them beside it."""
    per_cent, rating = (element.parameters.get(key, 0.0) for key in ("tol", borne))
    if 0.0 < per_cent <= 50.0:
        part = replace(part, tolerance=per_cent / 100.0)
    return replace(part, rating=rating) if rating >= 1.0 else part


def generic(part: Part, model: str) -> Part:
    """A part with one of the devices that ship."""
    device = load_devices()[model]
    return replace(part, model=model, parameters=device.parameters, spread=device.spread)


def _suffix(name: str) -> str:
    match = _HALF.fullmatch(name)
    return match[2].lower() if match else ""


def _sort(pins: tuple[str, ...], words: str) -> tuple[str, str]:
    """The kind of a part that a subcircuit stands for, and why."""
    count = len(pins)
    for word in ("triode", "pentode", "npn", "nmos", "opamp"):
        found = devices.order(pins, word)
        if found is not None and found[1]:
            return word, "the names of its pins"
    if count == 5:
        return "opamp", "it has five pins"
    stem = words.split()[0]
    if count == 3:
        if _OPAMP.match(stem) and not _VALVE.match(words):
            return "opamp", "its name, and three pins"
        return "triode", "three pins, and sources that follow them"
    return ("pentode", "four pins") if count == 4 else ("", "")


def instance(element: Flat, word: str, vertical: bool) -> Pairs:
    """What SPICE takes of the one device: area, number in parallel, length and width.

    Parameters
    ----------
    vertical : bool
        Whether it is a vertical power transistor, whose model has no length and width.
    """
    given = element.parameters
    own = []
    if given.get("area", 1.0) != 1.0:
        own.append(("AREA", given["area"]))
    if given.get("m", 1.0) != 1.0:
        own.append(("MULT", given["m"]))
    if kind(word).family == "mosfet" and not vertical:
        # 100 µm where nothing is said: ngspice's default
        own += [(name.upper(), given.get(name, 1e-4)) for name in ("l", "w")
                if given.get(name, 1e-4) != 1.0]
    return tuple(own)


def card(model: FlatModel, own: Pairs) -> str:
    """A `.model` line of a library, with ``{}`` in place of its name."""
    made = devices.taken(model)
    type_, pairs = devices.spice(made, model.type)
    figures = " ".join(f"{k}={v!r}" for k, v in (*pairs, *own))
    return f".model {{}} {type_}({figures})"


def subcircuit(name: str, behaviour: Behaviour, word: str, count: int) -> str:
    """The lines of a behaviour in a library, its pins named as those of a part of a kind."""
    pins = [re.sub(r"\W", "_", pin) for pin in kind(word).pins][:count]

    def text(words: str) -> str:
        return re.sub(r"\{[~%]?(\w+)\}", lambda m: node(m[1]), words)

    def node(local: str) -> str:
        return pins[int(local[1:])] if re.fullmatch(r"p\d", local) else local

    lines = [f".subckt {name} {' '.join(pins)}"]
    for e in behaviour.elements:
        value = "" if e.value is None else repr(e.value)
        nodes = (node(n) for n in e.nodes)
        lines.append(" ".join(w for w in (e.name, *nodes, text(e.text), value) if w))
    for m in behaviour.models:
        lines.append(f".model {m.name} {m.type}({' '.join(f'{k}={v!r}' for k, v in m.parameters)})")
    return "\n".join([*lines, f".ends {name}"])

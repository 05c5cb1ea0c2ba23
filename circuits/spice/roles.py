"""What parts are for, from what they are connected to: a first guess in the words of the trade.

The words are those of the stages that ship, because `faultlib.designs` sorts parts by them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from circuits.kinds import kind
from circuits.stage import GROUND, Part

_CONTROLS = {"bipolar": (1, 0, 2), "jfet": (1, 0, 2), "mosfet": (1, 0, 2), "triode": (1, 0, 2),
             "pentode": (2, 0, 3)}
"""Places of the pin that is driven, of the one that gives, and of the one that follows."""
_WORDS = {
    "bipolar": ("base", "collector", "emitter"), "jfet": ("gate", "drain", "source"),
    "mosfet": ("gate", "drain", "source"), "triode": ("grid", "anode", "cathode"),
    "pentode": ("grid", "anode", "cathode"),
}
_RESERVOIR = 470e-6
"""F from which on a capacitor on a rail is its reservoir."""
_BYPASS = 1e-9
"""F below which a capacitor from base to collector holds the stage stable (judgement)."""
_LARGE = 1e-6
"""F that hold a node still for signals (judgement)."""


class _Circuit:
    """The parts by the nodes that they are on."""

    def __init__(self, parts: Iterable[Part], rails: Mapping[str, float], start: str, end: str
                 ) -> None:
        self.parts = list(parts)
        self.rails, self.start, self.end = rails, start, end
        self.still = {GROUND, *rails}
        self.on: dict[str, list[Part]] = {}
        for part in self.parts:
            for node in dict.fromkeys(part.nodes):
                self.on.setdefault(node, []).append(part)
        self.still |= {node for node in self.on if self._decoupled(node)}
        self.multipliers = [part for part in self.parts if self._multiplier(part)]
        self.pins: dict[str, list[tuple[Part, int]]] = {}
        for part in self.parts:
            for at, place in enumerate(_CONTROLS.get(kind(part.kind).family, ())):
                self.pins.setdefault(part.nodes[place], []).append((part, at))

    def _decoupled(self, node: str) -> bool:
        """Whether a resistor from a rail feeds a node that a large capacitor holds still."""
        if node in (self.start, self.end) or node in self.still:
            return False
        on = self.on[node]
        return any(
            kind(p.kind).family == "capacitor" and GROUND in p.nodes and (p.value or 0.0) >= _LARGE
            for p in on
        ) and any(
            kind(p.kind).family == "resistor" and {*p.nodes} & {*self.rails} for p in on
        )

    def _multiplier(self, part: Part) -> bool:
        """Whether a transistor has a divider from its collector over its base to its emitter."""
        if kind(part.kind).family != "bipolar" or {part.nodes[0], part.nodes[2]} & self.still:
            return False
        collector, base, emitter = part.nodes
        return self._joined(base, collector) and self._joined(base, emitter)

    def _joined(self, node: str, goal: str) -> bool:
        """Whether resistors and controls alone lead from a node to another, three at most."""
        found, edge = {node}, {node}
        for _ in range(3):
            edge = {n for here in edge for p in self.on[here]
                    if kind(p.kind).family in ("resistor", "potentiometer")
                    for n in p.nodes} - found - self.still
            if goal in edge:
                return True
            found |= edge
        return False

    def device(self, node: str, at: int) -> Part | None:
        """The first device that has this node as what is driven (0), gives (1) or follows (2)."""
        return next((part for part, place in self.pins.get(node, ()) if place == at), None)

    def near(self, node: str, families: tuple[str, ...] = ("resistor", "contact", "inductor")
             ) -> set[str]:
        """The node, and those behind one or two parts that pass the signal."""
        found = {node}
        for _ in range(2):
            for here in list(found):
                for part in self.on.get(here, ()):
                    if kind(part.kind).family in families and len(part.nodes) == 2:
                        found |= {n for n in part.nodes if n not in self.still}
        return found

    def divides(self, node: str, base: str) -> bool:
        """Whether a control stands between a node and a base."""
        return any(kind(p.kind).family == "potentiometer" and {node, base} <= {*p.nodes}
                   for p in self.on[node])

    def inner(self, node: str) -> bool:
        """Whether a node is one that transistors give to, or follow through a small resistor."""
        return any(self.device(n, 2) or self.device(n, 1) for n in self.near(node, ("resistor",)))

    def pair(self, node: str, tail: str) -> bool:
        """Whether another emitter reaches a tail through a resistor of its own."""
        return any(
            kind(p.kind).family == "resistor" and node not in p.nodes
            and any(self.device(n, 2) for n in p.nodes if n != tail) for p in self.on[tail])

    def held(self, node: str) -> bool:
        """Whether a diode, and what it stands on, hold the bases at a node off a rail."""
        on = {part for part in self.on[node] if kind(part.kind).family == "diode"}
        ends = {n for part in on for n in part.nodes}
        behind = {n for end in ends for part in self.on[end]
                  if kind(part.kind).family == "diode" for n in part.nodes}
        return bool(behind & {*self.rails})

    def beyond_coupling(self, node: str) -> set[str]:
        """Nodes that one series resistor, and a large capacitor or none, lead to."""
        near = self.near(node) - {node}
        return near | {n for here in near for p in self.on[here]
                       if kind(p.kind).family == "capacitor" and (p.value or 0.0) >= 10e-9
                       for n in p.nodes if n not in self.still}

    def names(self, node: str) -> str:
        """The device that follows at a node, by name."""
        device = self.device(node, 2)
        return device.name if device else node

    def foot(self, node: str) -> Part | None:
        """The capacitor that alone leads on from a node with two parts, to ground."""
        if len(self.on.get(node, ())) != 2:
            return None
        return next((p for p in self.on[node]
                     if kind(p.kind).family == "capacitor" and GROUND in p.nodes), None)

    def opamp(self, node: str, pin: int) -> Part | None:
        """The first op-amp with its input (0, 1) or output (2) there."""
        return next((p for p in self.on.get(node, ())
                     if kind(p.kind).family == "opamp" and p.nodes[pin] == node), None)


def roles(
    parts: Iterable[Part], rails: Mapping[str, float], start: str, end: str
) -> dict[str, tuple[str, str]]:
    """What each part may be for, and what speaks for it; parts of which nothing tells are left out.

    Parameters
    ----------
    start, end : str
        Nodes of input and output.
    """
    circuit = _Circuit(parts, rails, start, end)
    found: dict[str, tuple[str, str]] = {}
    for part in circuit.parts:
        family = kind(part.kind).family
        if family == "capacitor":
            role = _capacitor(circuit, part)
        elif family == "resistor" or (family == "potentiometer" and len(part.nodes) == 2):
            role = _around_a_multiplier(circuit, part)
            role = role if role[0] else _resistor(circuit, part)
        elif family == "inductor":
            role = _output_coil(circuit, part)
        else:
            continue
        if role[0]:
            found[part.name] = role
    return found


def _capacitor(circuit: _Circuit, part: Part) -> tuple[str, str]:
    a, b = part.nodes
    if {a, b} <= circuit.still:
        rail = a if a != GROUND else b
        if rail not in circuit.rails:
            return "supply decoupling", f"a resistor feeds {rail} from a rail"
        if (part.value or 0.0) >= _RESERVOIR:
            return "reservoir", f"it stands on the rail {rail}"
        return "supply decoupling", f"it stands on the rail {rail}"
    if {a, b} & circuit.still:
        return _grounded(circuit, part, a if b in circuit.still else b)
    multiplier = next((q for q in circuit.multipliers if {a, b} == {q.nodes[0], q.nodes[2]}), None)
    if multiplier:
        return "bypass capacitor of the bias transistor", f"it lies across {multiplier.name}"
    for device, _ in circuit.pins.get(a, ()):
        places = _CONTROLS[kind(device.kind).family]
        if {device.nodes[places[0]], device.nodes[places[1]]} == {a, b} and (
                (part.value or 0.0) < _BYPASS):
            return "compensation capacitor", f"it lies across {device.name}"
    if circuit.start in circuit.near(a) | circuit.near(b):
        return "input coupling", "it lies behind the input"
    if circuit.end in circuit.near(a) | circuit.near(b) and not _feedback(circuit, a, b):
        return "output coupling", "it lies before the output"
    for node, other in ((a, b), (b, a)):
        giver = circuit.device(node, 1) or circuit.opamp(node, 2)
        taker = circuit.device(other, 0)
        if giver and taker and giver is not taker and not _parallel(circuit, part):
            return "coupling", f"from {giver.name} to {taker.name}"
    return ("", "")


def _parallel(circuit: _Circuit, part: Part) -> bool:
    return any(
        p is not part and {*p.nodes} == {*part.nodes} and kind(p.kind).family == "resistor"
        for p in circuit.on[part.nodes[0]]
    )


def _feedback(circuit: _Circuit, a: str, b: str) -> bool:
    """Whether a part leads from an output to an input that compares."""
    for node, other in ((a, b), (b, a)):
        if circuit.opamp(node, 1) and circuit.opamp(other, 2):
            return True
        if other == circuit.end and circuit.device(node, 0):
            return True
    return False


def _grounded(circuit: _Circuit, part: Part, node: str) -> tuple[str, str]:
    """A capacitor from a node to ground or a rail."""
    follower = circuit.device(node, 2)
    if follower:
        word = _WORDS[kind(follower.kind).family][2]
        return f"{word} bypass capacitor", f"it lies at the {word} of {follower.name}"
    if node == circuit.start and (part.value or 0.0) <= 100e-9:
        return "RF bypass at the input", "it lies at the input"
    if circuit.start in circuit.beyond_coupling(node) and (part.value or 0.0) <= 100e-9 and (
            circuit.device(node, 0) or circuit.opamp(node, 0)):
        return "input filter capacitor", "it lies behind the input"
    resistors = [p for p in circuit.on[node] if kind(p.kind).family == "resistor"]
    if len(resistors) == 1 and len(circuit.on[node]) == 2:
        (resistor,) = resistors
        other = next(n for n in resistor.nodes if n != node)
        if circuit.opamp(other, 1) or (circuit.device(other, 0) and _fed_back(circuit, other)):
            return "DC-blocking capacitor in the feedback leg", f"it lies below {resistor.name}"
        if circuit.end in circuit.near(other, ("inductor", "contact")) and (
                (resistor.value or 0.0) <= 47.0):
            return "Zobel capacitor", f"it lies below {resistor.name} at the output"
        if circuit.device(other, 2):
            return "bypass capacitor", f"it lies below {resistor.name}"
    for resistor in resistors:
        if {*resistor.nodes} & {*circuit.rails}:
            return "supply decoupling", f"{resistor.name} feeds it from a rail"
    return ("", "")


def _fed_back(circuit: _Circuit, node: str) -> bool:
    """Whether a resistor leads from the output to a node."""
    return any(
        kind(p.kind).family == "resistor" and circuit.near(circuit.end) & {*p.nodes}
        for p in circuit.on[node]
    )


def _around_a_multiplier(circuit: _Circuit, part: Part) -> tuple[str, str]:
    """A resistor of the divider that sets the drop across a transistor, and by it the bias."""
    for one in circuit.multipliers:
        collector, base, emitter = one.nodes
        for end, word in ((collector, "upper"), (emitter, "lower")):
            other = next((n for n in part.nodes if n != end), end)
            if end in part.nodes and (other == base or (
                    other not in circuit.still and circuit.divides(other, base))):
                return f"{word} bias resistor of {one.name}", f"between its base and {end}"
    return ("", "")


def _output_coil(circuit: _Circuit, part: Part) -> tuple[str, str]:
    a, b = part.nodes
    if circuit.end in (a, b) and circuit.inner(a if b == circuit.end else b):
        return "output inductor", "it lies before the output"
    return ("", "")


def _resistor(circuit: _Circuit, part: Part) -> tuple[str, str]:
    a, b = part.nodes[0], part.nodes[-1]
    for node, other in ((a, b), (b, a)):
        if other in circuit.still:
            role = _to_supply(circuit, node, other)
            if role[0]:
                return role
    if circuit.end in (a, b) and any(
            kind(p.kind).family == "inductor" and {*p.nodes} == {a, b} for p in circuit.on[a]):
        return "damping resistor across the output inductor", "it lies across a coil at the output"
    for node, other in ((a, b), (b, a)):
        if circuit.device(node, 2) and circuit.device(other, 2) and (
                circuit.device(node, 2) is not circuit.device(other, 2)):
            two = f"{circuit.names(a)} and {circuit.names(b)}"
            return f"emitter resistor of {two}", "it joins what they follow"
        below = circuit.foot(other)
        if below and circuit.device(node, 0) and _fed_back(circuit, node):
            return "resistor in the feedback leg", f"{below.name} leads from it to ground"
        if below and circuit.end in circuit.near(node, ("inductor", "contact")) and (
                (part.value or 0.0) <= 47.0 and (below.value or 0.0) <= _LARGE):
            return "Zobel resistor", f"{below.name} leads from it to ground"
    for node, other in ((a, b), (b, a)):
        inverting = circuit.opamp(node, 1)
        if inverting and (circuit.opamp(other, 2) or other == circuit.end):
            return "feedback resistor", f"from the output to {inverting.name}"
        base = circuit.device(node, 0)
        if base and other != circuit.start and (other == circuit.end or _ends_there(circuit, other)
                                                ) and not circuit.device(node, 1):
            return "feedback resistor", f"from the output to {base.name}"
        follower = circuit.device(node, 2)
        if follower and not circuit.device(other, 0) and (
                not circuit.device(other, 1) or circuit.pair(node, other)):
            word = _WORDS[kind(follower.kind).family][2]
            return f"{word} resistor of {follower.name}", f"it lies at its {word}"
    for node, other in ((a, b), (b, a)):
        taken = circuit.device(node, 0) or circuit.opamp(node, 0)
        if taken and circuit.start in circuit.beyond_coupling(node) & (
                circuit.near(other) | circuit.beyond_coupling(other) | {other}) and any(
                kind(p.kind).family == "capacitor" and GROUND in p.nodes for p in circuit.on[node]):
            return "input filter resistor", f"between the input and {taken.name}"
    for node, other in ((a, b), (b, a)):
        if circuit.opamp(node, 1) and len(circuit.on[other]) == 2:
            return "resistor in the feedback leg", "it lies between an input and a capacitor"
    return ("", "")


def _ends_there(circuit: _Circuit, node: str) -> bool:
    """Whether only contacts, coils or small resistors lie between a node and the output."""
    return circuit.end in circuit.near(node, ("inductor", "contact")) and node != circuit.end


def _to_supply(circuit: _Circuit, node: str, other: str) -> tuple[str, str]:
    """A resistor from a node to ground or a rail, or what is decoupled from that."""
    if node in circuit.still:
        held = next((n for n in (node, other) if n not in (GROUND, *circuit.rails)), "")
        return ("supply decoupling resistor", f"it feeds {held}") if held and (
            GROUND not in (node, other)) else ("", "")
    giver, follower, driven = (circuit.device(node, at) for at in (1, 2, 0))
    if follower:
        word = _WORDS[kind(follower.kind).family][2]
        return f"{word} resistor of {follower.name}", f"from its {word} to {_said(other)}"
    if giver and other != GROUND:
        word = _WORDS[kind(giver.kind).family][1]
        return f"{word} load of {giver.name}", f"from its {word} to {_said(other)}"
    if driven:
        if circuit.held(node):
            return "bias feed of the current sources", f"it feeds the diodes at {node}"
        word = _WORDS[kind(driven.kind).family][0]
        if other == GROUND:
            return f"bias return of {driven.name}", f"from its {word} to ground"
        return f"bias resistor of {driven.name}", f"from {other} to its {word}"
    if other == GROUND and node == circuit.end:
        return "output bleeder", "from the output to ground"
    if other == GROUND and circuit.opamp(node, 0):
        return "input load and bias return", "from an input to ground"
    if other == GROUND and circuit.opamp(node, 1):
        return "resistor in the feedback leg", "from an input to ground"
    return ("", "")


def _said(node: str) -> str:
    return "ground" if node == GROUND else node

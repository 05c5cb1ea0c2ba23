"""Which circuits have the same equations, and how those that nearly have them get the same.

Two circuits are of one topology when they differ in numbers alone. A fault often adds one node: a
contact in series with a part, which then hangs on a node of its own. Such circuits join a common
topology: there the part hangs on that node in every unit, and the contact is a joint that has 0 ohm
where the unit has none. A resistance across two nodes that only some units have is of no
conductance in the others.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from circuits.batch.devices.card import card
from circuits.batch.devices.expression import Expression, Unsupported, parsed
from circuits.batch.families import FAMILIES
from circuits.circuit import Circuit, Element, Model
from circuits.netlist import stray_resistor

_IDLE = re.compile(r"(rvoltmeter_|rprobe_|ccoupling_|cprobe_)", re.IGNORECASE)
"""Instruments that lie ready and are off: what is done with them stands in the analysis."""
_STRAY = stray_resistor("").lower()
"""What the names of resistors begin with that stray current flows in beside."""
_OFF = "off"
UNSTEADY = "unsteady"
"""The shape of a resistor whose noise falls with frequency."""
_VALUED = "rclviegf"
"""Kinds of elements whose number is `Element.value`."""
_SHUNTS = {"r": float("inf"), "c": 0.0, "g": 0.0, "i": 0.0}
"""Kinds that a unit may lack, and the value of one that is not there."""
_JOINTS = 16
"""Contacts in series that one topology takes; more cost more than what they save (measured)."""


class Unknown(Exception):
    """A circuit that holds what the batch has no law of."""


@dataclass(frozen=True)
class Line:
    """One element of a topology.

    Attributes
    ----------
    kind : str
        The first letter of its name; ``z`` for a joint, which is a resistance that may be zero.
    nodes : tuple of str
        As in `Element`; of a coupling the two inductors.
    shape : hashable
        What of its text is no number, the same in all units: `UNSTEADY`, the source whose current
        it follows, a `Formula`, or pairs of terminals of a device that are one node.
    """

    name: str
    kind: str
    nodes: tuple[str, ...]
    shape: object = ""


@dataclass(frozen=True)
class Formula:
    """The shape of a source that follows an expression.

    Attributes
    ----------
    signature : str
        Of the expression.
    kind : str
        ``v`` or ``i``.
    branches : int
        How many voltages it takes.
    currents : tuple of str
        Sources whose currents it takes.
    expression : Expression
        Of one such source: it is the same for all of a signature, and no part of what is compared.
    """

    signature: str
    kind: str
    branches: int
    currents: tuple[str, ...]
    expression: Expression = field(compare=False, repr=False)


@dataclass(frozen=True, eq=False)
class Shape:
    """The topology of one circuit; circuits of one topology have the same object.

    Attributes
    ----------
    lines : tuple of Line
    places : tuple of int
        Where each line stands among the elements of the circuit.
    """

    lines: tuple[Line, ...]
    places: tuple[int, ...]


_MET: dict[int, tuple[Element, str, Model | None, Line]] = {}
"""By the identity of an element: that element, its model's name, that model, and the line."""
_LINES: dict[Line, Line] = {}
_SHAPES: dict[tuple[int, ...], Shape] = {}
_MOST = 50_000
"""Elements that are remembered; a process that has met more begins anew (judgement)."""


def shape(circuit: Circuit) -> Shape:
    """The topology of a circuit.

    Raises
    ------
    Unknown
        Where it holds what the batch does not know.
    """
    if circuit.options or circuit.temperature != 27.0:
        raise Unknown("options or a temperature of its own")
    if len(_MET) > _MOST:
        forget()
    models = {model.name: model for model in circuit.models}
    lines = []
    for one in circuit.elements:
        # looked at here, since this is done for every element of every unit at every turn
        met = _MET.get(id(one))
        if met is None or (met[1] and models.get(met[1]) is not met[2]):
            met = _known(one, models)
        lines.append(met[3])
    name = tuple(map(id, lines))
    found = _SHAPES.get(name)
    if found is None:
        places = tuple(k for k, line in enumerate(lines) if line.kind != _OFF)
        found = _SHAPES[name] = Shape(tuple(lines[k] for k in places), places)
    return found


def forget() -> None:
    """Begin anew: which shapes share a topology hangs on which were met together."""
    _MET.clear()
    _LINES.clear()
    _SHAPES.clear()
    _HOMES.clear()


def _known(
    element: Element, models: Mapping[str, Model]
) -> tuple[Element, str, Model | None, Line]:
    """What is kept of an element; its line is the same object for all that are alike."""
    name = element.text.partition(" ")[0]
    model = models.get(name)
    line = _line(element, model)
    # element and model are kept, so that no others can come to have their identities
    met = _MET[id(element)] = element, name, model, _LINES.setdefault(line, line)
    return met


def _line(element: Element, model: Model | None) -> Line:
    kind = element.name[0].lower()
    if _IDLE.match(element.name):
        return Line(element.name, _OFF, element.nodes)
    if kind in _VALUED and element.value is not None:
        if not element.text:
            return Line(element.name, kind, element.nodes)
        if kind == "r" and model is not None and model.type.lower() == "r":
            return Line(element.name, kind, element.nodes, UNSTEADY)
        if kind == "f" and re.fullmatch(r"\w+", element.text):
            return Line(element.name, kind, element.nodes, element.text.lower())
        raise Unknown(f"{element.name}: {element.text}")
    if kind == "k":
        return Line(element.name, kind, element.nodes)
    if kind == "b":
        return _formula(element)
    family = FAMILIES.get(kind)
    if family is None or model is None:
        raise Unknown(f"{element.name}: {element.text}")
    given = card(model, element.text.partition(" ")[2])
    why = family.unsupported(given)
    if why:
        raise Unknown(f"{element.name}: {why}")
    return Line(element.name, kind, element.nodes, tuple(family.collapsed(given)))


def _formula(element: Element) -> Line:
    """A source that follows an expression; the nodes whose voltages it takes come after its own."""
    try:
        made, _ = parsed(element.text)
    except Unsupported as reason:
        raise Unknown(f"{element.name}: {reason}") from None
    taken = tuple(node for pair in made.branches for node in pair)
    about = Formula(made.signature, made.kind, len(made.branches), made.currents, made)
    return Line(element.name, "b", (*element.nodes, *taken), about)


@dataclass
class Common:
    """A topology that several shapes share.

    Attributes
    ----------
    lines : dict of str to Line
        By name.
    inner : dict of str to str
        The nodes that parts were moved to, and the joint by which each is reached.
    shapes : list of Shape
    """

    lines: dict[str, Line]
    inner: dict[str, str] = field(default_factory=dict)
    shapes: list[Shape] = field(default_factory=list)

    @classmethod
    def of(cls, first: Shape) -> Common:
        """The topology of one shape alone."""
        return cls({line.name: line for line in first.lines}, {}, [first])

    def take(self, other: Shape) -> bool:
        """Join another shape to it; False, and nothing changed, where that cannot be."""
        merged = _merged(self, {line.name: line for line in other.lines})
        if merged is None or len(merged[1]) > _JOINTS:
            return False
        self.lines, self.inner = merged
        self.shapes.append(other)
        return True


def _merged(
    common: Common, theirs: dict[str, Line]
) -> tuple[dict[str, Line], dict[str, str]] | None:
    """Lines and inner nodes of a topology with one more shape; None where they do not fit."""
    lines, inner = dict(common.lines), dict(common.inner)
    mine = {node for line in lines.values() for node in line.nodes}
    its = {node for line in theirs.values() for node in line.nodes}
    for name, line in theirs.items():
        own = lines.get(name)
        if own is None:
            continue
        if own.kind.replace("z", "r") != line.kind:
            return None
        if own.shape != line.shape:
            # a resistor that is quiet is one whose noise that falls with frequency is none
            if {own.shape, line.shape} != {"", UNSTEADY} or own.kind != "r":
                return None
            own = lines[name] = replace(own, shape=UNSTEADY)
        if own.nodes == line.nodes:
            continue
        nodes = []
        for at, to in zip(own.nodes, line.nodes, strict=True):
            if at == to:
                nodes.append(at)
                continue
            # it hangs on another one of two nodes that both have: no joint makes up for that
            if to in mine and at in its:
                return None
            if at in inner and _across(lines[inner[at]], at, to):
                nodes.append(at)
                continue
            new, known, side = (to, at, theirs) if to not in mine else (at, to, lines)
            if new not in inner:
                joint = _joint(side, new, known)
                if joint is None:
                    return None
                inner[new] = joint
            elif not _across(side.get(inner[new]) or lines[inner[new]], new, known):
                return None
            nodes.append(new)
        lines[name] = Line(name, own.kind, tuple(nodes), own.shape)
    for new, name in inner.items():
        line = lines.get(name) or theirs[name]
        if new not in line.nodes:
            return None
        lines[name] = Line(name, "z", line.nodes)
    there = mine | set(inner) | {"0"}
    for name, line in theirs.items():
        if name not in lines:
            if line.kind not in _SHUNTS or not there.issuperset(line.nodes):
                return None
            lines[name] = line
    lacking = (line for name, line in common.lines.items() if name not in theirs)
    if any(line.kind not in _SHUNTS and lines[line.name].kind != "z" for line in lacking):
        return None
    # a node that a unit has not would hang on nothing
    return None if mine - its - set(inner) else (lines, inner)


def _across(line: Line, *nodes: str) -> bool:
    return set(line.nodes) == set(nodes)


def _joint(lines: dict[str, Line], *nodes: str) -> str | None:
    """The contact between a node that only some units have and the node it stands for."""
    for name, line in lines.items():
        # what lets stray current in is no contact: the one it lies beside is
        contact = line.kind in "rz" and line.shape == "" and not name.lower().startswith(_STRAY)
        if contact and _across(line, *nodes):
            return name
    return None


def commons(shapes: Sequence[Shape]) -> list[tuple[Common, list[Shape]]]:
    """As few topologies as hold some shapes, which are all different, and the shapes of each.

    A shape that was met before stays where it was put then: its equations are known.
    """
    fresh: list[Common] = []
    for one in shapes:
        if one not in _HOMES and not any(common.take(one) for common in fresh):
            fresh.append(Common.of(one))
    _HOMES.update((one, common) for common in fresh for one in common.shapes)
    found: dict[int, tuple[Common, list[Shape]]] = {}
    for one in shapes:
        home = _HOMES[one]
        found.setdefault(id(home), (home, []))[1].append(one)
    return list(found.values())


_HOMES: dict[Shape, Common] = {}
"""The topology that each shape was put into; forgotten with the shapes."""

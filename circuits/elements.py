"""Parts → elements and models of SPICE, one builder a family of part kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from circuits import behaviour, excess, macromodels
from circuits.circuit import Element, Model
from circuits.identity import ByIdentity
from circuits.kinds import kind
from circuits.macromodels import Built, nodes_of
from circuits.spelling import node
from circuits.stage import Part

LEAST_OHMS = 1e-3
"""ngspice would make it of zero."""
INSTANCE = {"AREA": "area", "MULT": "m", "L": "l", "W": "w", "VDMOS": ""}
"""Parameters that SPICE takes beside the model's name, in its words; `VDMOS` says the sort of a
model, and is written nowhere."""
_AROUND = ("offset", "bias current", "noise voltage", "noise corner")
"""What of an op-amp stands beside its inside, so that a fault of these leaves its behaviour."""
_ASLEEP = ("opamp", "triode", "pentode")
"""Families that are off without power: their macromodels would stay alive."""


def built(parts: Iterable[Part], limited: bool = False, powered: bool = True) -> Built:
    """Elements and models of parts.

    Parameters
    ----------
    limited : bool
        With what only shows in large signals, as for a transient run with a `Drive`.
    powered : bool
        False for an ohmmeter's view, in which op-amps and valves are asleep.
    """
    elements: list[Element] = []
    models: dict[str, Model] = {}
    for part in parts:
        more, cards = _of_part(part, limited, powered)
        elements += more
        for model in cards:
            # one that parts share is the same for all of them, and has one name
            models.setdefault(model.name, model)
    return elements, [*models.values()]


def _build(part: Part, limited: bool, powered: bool) -> Built:
    family = kind(part.kind).family
    asleep = not powered and family in _ASLEEP
    if part.behaviour is not None and not asleep and _behaves(part):
        return _behaviour(part)
    more, cards = (macromodels.without_power if asleep else _BUILDERS[family])(part)
    if limited and family == "opamp":
        more = macromodels.limited(part, more)
    return more, cards


_of_part = ByIdentity(_build)
"""Elements and models of a part. Variants share parts, and then their elements."""


def _behaves(part: Part) -> bool:
    """Whether a part does what its behaviour says; a fault inside it is that of a generic one."""
    return all(name in _AROUND for name, _ in part.parameters)


def _behaviour(part: Part) -> Built:
    if not part.parameters:
        return behaviour.built(part)
    around, cards, sensed = macromodels.before_opamp(part)
    inside, models = behaviour.built(part, {0: sensed})
    return [*around, *inside], [*cards, *models]


def _value(part: Part) -> float:
    if part.value is None:
        raise ValueError(f"part {part.name} of kind {part.kind} has no value")
    return part.value


def _id(part: Part) -> str:
    return node(part.name)


def _resistor(part: Part) -> Built:
    text, cards = _unsteady(part)
    value = max(_value(part), LEAST_OHMS)
    return [Element(f"R_{_id(part)}", nodes_of(part), value, text)], cards


def _unsteady(part: Part) -> tuple[str, list[Model]]:
    """The model that gives a resistance its current noise; good parts of a kind share one."""
    decibels = excess.index(part)
    if decibels is None:
        return "", []
    own = any(name == excess.INDEX for name, _ in part.parameters)
    name = f"N_{_id(part)}" if own else f"N__{part.kind.replace('-', '_')}"
    return name, [Model(name, "R", (("KF", excess.flicker(decibels)), ("AF", 2.0)))]


def _capacitor(part: Part) -> Built:
    a, b = nodes_of(part)
    name = _id(part)
    if part.esr <= 0.0:
        return [Element(f"C_{name}", (a, b), _value(part))], []
    inner = f"{name}_esr"
    return [
        Element(f"C_{name}", (a, inner), _value(part)),
        Element(f"R_{name}_esr", (inner, b), part.esr),
    ], []


def _inductor(part: Part) -> Built:
    a, b = nodes_of(part)
    name = _id(part)
    inner = f"{name}_dcr"
    return [
        Element(f"L_{name}", (a, inner), _value(part)),
        Element(f"R_{name}_dcr", (inner, b), max(part.esr, LEAST_OHMS)),
    ], []


def _transformer(part: Part) -> Built:
    pa, pb, sa, sb = nodes_of(part)
    name = _id(part)
    primary = _value(part)
    ratio = part.parameter("ratio", 1.0)
    winding = part.parameter("primary resistance", 1.0)
    return [
        Element(f"R_{name}_p", (pa, f"{name}_p"), winding),
        Element(f"L_{name}_p", (f"{name}_p", pb), primary),
        Element(f"R_{name}_s", (sa, f"{name}_s"), winding / ratio**2),
        Element(f"L_{name}_s", (f"{name}_s", sb), primary / ratio**2),
        Element(f"K_{name}", (f"L_{name}_p", f"L_{name}_s"), None,
                repr(part.parameter("coupling", 0.9995))),
    ], []


def _potentiometer(part: Part) -> Built:
    name = _id(part)
    whole = _value(part)
    least = max(whole * 1e-4, LEAST_OHMS)
    position = min(max(part.position, 0.0), 1.0)
    text, cards = _unsteady(part)
    if len(part.nodes) == 2:
        return [Element(f"R_{name}", nodes_of(part), max(whole * position, least), text)], cards
    top, wiper, bottom = nodes_of(part)
    return [
        Element(f"R_{name}_t", (top, wiper), max(whole * (1.0 - position), least), text),
        Element(f"R_{name}_b", (wiper, bottom), max(whole * position, least), text),
    ], cards


def _card(part: Part, type_: str, extra: tuple[tuple[str, float], ...] = ()) -> Model:
    own = tuple(pair for pair in part.parameters if pair[0] not in INSTANCE)
    return Model(f"M_{_id(part)}", type_, (*own, *extra))


def _instance(part: Part, model: Model) -> str:
    """The model's name, and what of the parameters belongs to the one device."""
    words = [f"{INSTANCE[k]}={v!r}" for k, v in part.parameters if INSTANCE.get(k)]
    return " ".join([model.name, *words])


def _bipolar(part: Part) -> Built:
    model = _card(part, part.kind.upper())
    return [Element(f"Q_{_id(part)}", nodes_of(part), None, _instance(part, model))], [model]


def _jfet(part: Part) -> Built:
    model = _card(part, part.kind.upper())
    return [Element(f"J_{_id(part)}", nodes_of(part), None, _instance(part, model))], [model]


def _mosfet(part: Part) -> Built:
    drain, gate, source = nodes_of(part)
    name = f"M_{_id(part)}"
    if part.parameter("VDMOS"):
        # a type of VDMOSP, which its manual has as well, sends ngspice 39 into an endless loop
        model = _card(part, "VDMOS", (("pchan", 1.0),) if part.kind == "pmos" else ())
        text = _instance(part, model)
        return [Element(name, (drain, gate, source), None, text)], [model]
    model = _card(part, part.kind.upper())
    text = _instance(part, model)
    text += "".join(f" {word}=1" for word in ("l", "w") if not part.parameter(word.upper()))
    return [Element(name, (drain, gate, source, source), None, text)], [model]


def _diode(part: Part) -> Built:
    breakdown = (("BV", part.value),) if part.value is not None else ()
    model = _card(part, "D", breakdown)
    return [Element(f"D_{_id(part)}", nodes_of(part), None, _instance(part, model))], [model]


_BUILDERS: dict[str, Callable[[Part], Built]] = {
    "resistor": _resistor,
    "defect": _resistor,
    "contact": _resistor,
    "capacitor": _capacitor,
    "inductor": _inductor,
    "transformer": _transformer,
    "potentiometer": _potentiometer,
    "bipolar": _bipolar,
    "jfet": _jfet,
    "mosfet": _mosfet,
    "diode": _diode,
    "opamp": macromodels.opamp,
    "triode": macromodels.triode,
    "pentode": macromodels.pentode,
}

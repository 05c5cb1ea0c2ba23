"""Stage → the circuit that the simulator solves.

Everything around the parts is built here too: the generator behind its source impedance, each
rail behind a small resistance, the load, and idle sources through which the bench later drives
the output node or a stray current. Sources idle at an a.c. magnitude of zero.

With a `Drive` the generator follows an expression of time, and what does not show in a small signal
is built as well: an op-amp's slew rate and its greatest output current.

Names: part ``R1`` becomes the element ``R_r1``; what belongs to the bench has names of its own
(`GENERATOR`, `LOAD`, `PROBE`, `rail_source`, `stray_source`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from circuits.bench.analysis import Circuit, Element, Model
from circuits.joints import joined
from circuits.kinds import kind
from circuits.spelling import node as node
from circuits.stage import GROUND, Part, Rail, Stage

GENERATOR = "Vgen"
LOAD = "Rload"
PROBE = "Iprobe"
METER = "Vmeter"

METER_VOLTS = 0.1
"""An ohmmeter's low-power range: too little to turn a junction on."""
_METER_OHMS = 1e3
_LEAST_OHMS = 1e-3
_OPEN_LOAD = 1e9
_RAIL_CORNER = 2.0
"""Hz above which the impedance of a rail counts; below it the rail's voltage already tells all."""
_POLE = 1e-9
"""F, of an op-amp's dominant pole."""
_BOLTZMANN = 1.380649e-23
_CHARGE = 1.602176634e-19
_KELVIN = 300.15

Built = tuple[list[Element], list[Model]]


@dataclass(frozen=True)
class Drive:
    """What moves in a transient run; before time 0 everything is at rest.

    Attributes
    ----------
    volts : str
        E.m.f. of the generator for time > 0, an expression of ``time`` (s) in SPICE's words.
    start : tuple of (str, float)
        Volts of rails at rest, where they differ from the rail's own. A rail that settles slowly
        behind its resistance starts so where a driven stage would have taken it.
    """

    volts: str
    start: tuple[tuple[str, float], ...] = ()


def rail_source(rail: str) -> str:
    """The voltage source behind a rail."""
    return f"Vrail_{node(rail)}"


def stray_source(at: str) -> str:
    """The current source that carries stray mains current into a node."""
    return f"Istray_{node(at)}"


def circuit(stage: Stage, load: float = 0.0, drive: Drive | None = None) -> Circuit:
    """The stage with power on, generator and load connected.

    Parameters
    ----------
    stage : Stage
    load : float
        Ohm, in place of the stage's own load; 0 keeps that.
    drive : Drive, optional
        For a transient run.
    """
    elements = [
        *_generator(node(stage.input_return), drive),
        Element("Rgen", ("gen", node(stage.input)), max(stage.source_impedance, _LEAST_OHMS)),
        Element(LOAD, (node(stage.output), GROUND), load or stage.load or _OPEN_LOAD),
        Element(PROBE, (GROUND, node(stage.output)), 0.0),
    ]
    for rail in stage.rails:
        inner = f"{node(rail.name)}_src"
        elements += _rail(rail, inner, drive)
        resistance = max(rail.resistance, _LEAST_OHMS)
        outer = f"{node(rail.name)}_z_src" if rail.impedance else node(rail.name)
        elements.append(Element(f"Rrail_{node(rail.name)}", (inner, outer), resistance))
        if rail.impedance:
            ends = (outer, node(rail.name))
            choke = rail.impedance / (2.0 * math.pi * _RAIL_CORNER)
            elements.append(Element(f"Rrail_{node(rail.name)}_z", ends, rail.impedance))
            elements.append(Element(f"Lrail_{node(rail.name)}", ends, choke))
    for at, _ in stage.stray:
        elements.append(Element(stray_source(at), (GROUND, node(at)), 0.0))
    elements += joined(stage.chain)
    parts, models = built(stage.parts, limited=drive is not None)
    return Circuit(tuple(elements + parts), tuple(models))


def _generator(back: str, drive: Drive | None) -> list[Element]:
    if drive is None:
        return [Element(GENERATOR, ("gen", back), 0.0)]
    return [
        Element("Bdrive", ("gen", "gen_b"), None, f"v=time>0?{drive.volts}:0"),
        Element(GENERATOR, ("gen_b", back), 0.0),
    ]


def _rail(rail: Rail, inner: str, drive: Drive | None) -> list[Element]:
    name = rail_source(rail.name)
    start = dict(drive.start).get(rail.name) if drive is not None else None
    if start is None:
        return [Element(name, (inner, GROUND), rail.volts)]
    # not a piecewise linear source: its corners can stop Gear's method for good
    moving, jump = f"{inner}_b", f"v=time>0?{rail.volts!r}:{start!r}"
    return [
        Element(name, (inner, moving), 0.0),
        Element(f"Brail_{node(rail.name)}", (moving, GROUND), None, jump),
    ]


def ohmmeter(stage: Stage, between: tuple[str, str]) -> Circuit:
    """The stage with power off, generator and load disconnected, a meter between two nodes."""
    red, black = (node(name) for name in between)
    elements = [
        Element(METER, ("meter", black), METER_VOLTS),
        Element("Rmeter", ("meter", red), _METER_OHMS),
        # a circuit that floats as a whole needs a place of zero volts
        Element("Rearth", (black, GROUND), 1e9) if black != GROUND else _earth(stage),
        *joined(stage.chain),
    ]
    parts, models = built(stage.parts)
    return Circuit(tuple(elements + parts), tuple(models))


def _earth(stage: Stage) -> Element:
    return Element("Rearth", (node(stage.output), GROUND), 1e12)


def built(parts: Iterable[Part], limited: bool = False) -> Built:
    """Elements and models of parts; `limited` as for a transient run with a `Drive`."""
    elements: list[Element] = []
    models: list[Model] = []
    for part in parts:
        family = "defect" if part.kind == "defect" else kind(part.kind).family
        more, cards = _BUILDERS[family](part)
        if limited and family == "opamp":
            more = _limited(part, more)
        elements += more
        models += cards
    return elements, models


def _nodes(part: Part) -> tuple[str, ...]:
    return tuple(node(name) for name in part.nodes)


def _value(part: Part) -> float:
    if part.value is None:
        raise ValueError(f"part {part.name} of kind {part.kind} has no value")
    return part.value


def _id(part: Part) -> str:
    return node(part.name)


def _resistor(part: Part) -> Built:
    return [Element(f"R_{_id(part)}", _nodes(part), max(_value(part), _LEAST_OHMS))], []


def _capacitor(part: Part) -> Built:
    a, b = _nodes(part)
    name = _id(part)
    if part.esr <= 0.0:
        return [Element(f"C_{name}", (a, b), _value(part))], []
    inner = f"{name}_esr"
    return [
        Element(f"C_{name}", (a, inner), _value(part)),
        Element(f"R_{name}_esr", (inner, b), part.esr),
    ], []


def _inductor(part: Part) -> Built:
    a, b = _nodes(part)
    name = _id(part)
    inner = f"{name}_dcr"
    return [
        Element(f"L_{name}", (a, inner), _value(part)),
        Element(f"R_{name}_dcr", (inner, b), max(part.esr, _LEAST_OHMS)),
    ], []


def _transformer(part: Part) -> Built:
    pa, pb, sa, sb = _nodes(part)
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
    least = max(whole * 1e-4, _LEAST_OHMS)
    position = min(max(part.position, 0.0), 1.0)
    if len(part.nodes) == 2:
        return [Element(f"R_{name}", _nodes(part), max(whole * position, least))], []
    top, wiper, bottom = _nodes(part)
    return [
        Element(f"R_{name}_t", (top, wiper), max(whole * (1.0 - position), least)),
        Element(f"R_{name}_b", (wiper, bottom), max(whole * position, least)),
    ], []


def _card(part: Part, type_: str, extra: tuple[tuple[str, float], ...] = ()) -> Model:
    return Model(f"M_{_id(part)}", type_, (*part.parameters, *extra))


def _bipolar(part: Part) -> Built:
    model = _card(part, part.kind.upper())
    return [Element(f"Q_{_id(part)}", _nodes(part), None, model.name)], [model]


def _jfet(part: Part) -> Built:
    model = _card(part, part.kind.upper())
    return [Element(f"J_{_id(part)}", _nodes(part), None, model.name)], [model]


def _mosfet(part: Part) -> Built:
    drain, gate, source = _nodes(part)
    model = _card(part, part.kind.upper())
    nodes = (drain, gate, source, source)
    return [Element(f"M_{_id(part)}", nodes, None, f"{model.name} l=1 w=1")], [model]


def _diode(part: Part) -> Built:
    breakdown = (("BV", part.value),) if part.value is not None else ()
    model = _card(part, "D", breakdown)
    return [Element(f"D_{_id(part)}", _nodes(part), None, model.name)], [model]


def _opamp(part: Part) -> Built:
    """One pole, bias current, offset, noise with its 1/f corner, clamped swing, linear inside.

    The noise comes from a diode that carries 1 µA: its shot noise across its own slope
    resistance is 2kT·r_d, and KF = 2q·f_c gives the corner (SPICE's flicker equation, AF = 1).
    """
    name = _id(part)
    nodes = _nodes(part)
    plus, minus, out = nodes[:3]
    get = part.parameter
    gm = 2.0 * math.pi * get("gbw", 3e6) * _POLE
    gain = max(get("gain", 2e5), 1e-9)
    sensed, summed, middle, inner = f"{name}_q", f"{name}_p", f"{name}_a", f"{name}_o"
    slope = _BOLTZMANN * _KELVIN / (_CHARGE * 1e-6)
    own_noise = math.sqrt(2.0 * _BOLTZMANN * _KELVIN * slope)
    elements = [
        Element(f"R_{name}_in", (plus, minus), get("input resistance", 1e6)),
        Element(f"I_{name}_p", (plus, GROUND), get("bias current", 0.0)),
        Element(f"I_{name}_m", (minus, GROUND), get("bias current", 0.0)),
        Element(f"V_{name}_off", (summed, plus), get("offset", 0.0)),
        Element(f"I_{name}_n", (GROUND, f"{name}_n"), 1e-6),
        Element(f"D_{name}_n", (f"{name}_n", GROUND), None, f"M_{name}_n"),
        Element(f"C_{name}_n", (f"{name}_n", f"{name}_m"), 1e-6),
        Element(f"R_{name}_n", (f"{name}_m", GROUND), 1e9),
        Element(f"E_{name}_n", (sensed, summed, f"{name}_m", GROUND),
                get("noise voltage", 0.0) / own_noise),
        Element(f"G_{name}_gm", (GROUND, middle, sensed, minus), gm),
        Element(f"R_{name}_a", (middle, GROUND), gain / gm),
        Element(f"C_{name}_a", (middle, GROUND), _POLE),
        Element(f"E_{name}_o", (inner, GROUND, middle, GROUND), 1.0),
        Element(f"R_{name}_o", (inner, out), get("output resistance", 60.0)),
        Element(f"D_{name}_hi", (middle, f"{name}_hi"), None, f"M_{name}_lim"),
        Element(f"D_{name}_lo", (f"{name}_lo", middle), None, f"M_{name}_lim"),
    ]
    if len(nodes) == 5:
        high, low = nodes[3:]
        drop = get("swing drop", 2.0)
        supply = 30.0 / max(get("supply current", 2e-3), 1e-6)
        elements += [
            Element(f"V_{name}_hi", (high, f"{name}_hi"), drop),
            Element(f"V_{name}_lo", (f"{name}_lo", low), drop),
            Element(f"R_{name}_s", (high, low), supply),
        ]
    else:
        swing = get("swing", 13.0)
        elements += [
            Element(f"V_{name}_hi", (f"{name}_hi", GROUND), swing),
            Element(f"V_{name}_lo", (GROUND, f"{name}_lo"), swing),
        ]
    corner = 2.0 * _CHARGE * get("noise corner", 0.0)
    return elements, [
        Model(f"M_{name}_n", "D", (("IS", 1e-14), ("KF", corner), ("AF", 1.0))),
        Model(f"M_{name}_lim", "D", (("IS", 1e-12), ("N", 0.2))),
    ]


def _limited(part: Part, elements: list[Element]) -> list[Element]:
    """An op-amp whose slew rate and output current end where its data say.

    The input pair steers its whole tail current, a hyperbolic tangent; around rest both replace
    the linear elements exactly.
    """
    name, most = _id(part), part.parameter("output current")
    for k, element in enumerate(elements):
        value = element.value or 0.0
        if element.name == f"G_{name}_gm" and part.parameter("slew rate") > 0.0:
            ground, middle, sensed, minus = element.nodes
            tail = part.parameter("slew rate") * _POLE
            steer = f"i={tail!r}*tanh({value / tail!r}*v({sensed},{minus}))"
            elements[k] = Element(f"B_{name}_gm", (ground, middle), None, steer)
        elif element.name == f"R_{name}_o" and most > 0.0:
            inner, out = element.nodes
            share = f"(v({inner},{out})/{value * most!r})"
            limit = f"i={most!r}*{share}/sqrt(sqrt(1+{share}*{share}*{share}*{share}))"
            elements[k] = Element(f"B_{name}_o", (inner, out), None, limit)
    return elements


def _triode(part: Part) -> Built:
    """The widely published behavioural triode: a soft three-halves power law."""
    anode, grid, cathode = _nodes(part)
    name = _id(part)
    get = part.parameter
    mu, kp, kvb = get("mu", 100.0), get("kp", 600.0), get("kvb", 300.0)
    drive = (
        f"v({anode},{cathode})/{kp!r}*ln(1+exp({kp!r}*(1/{mu!r}"
        f"+v({grid},{cathode})/sqrt({kvb!r}+v({anode},{cathode})*v({anode},{cathode})))))"
    )
    law = f"i=2*pow(max(v({name}_e),0),{get('ex', 1.4)!r})/{get('kg1', 1060.0)!r}"
    return [
        Element(f"B_{name}_e", (f"{name}_e", GROUND), None, f"v={drive}"),
        Element(f"R_{name}_e", (f"{name}_e", GROUND), 1e6),
        Element(f"B_{name}_a", (anode, cathode), None, law),
        Element(f"D_{name}_g", (f"{name}_g", cathode), None, f"M_{name}_g"),
        Element(f"R_{name}_g", (grid, f"{name}_g"), get("rgi", 2000.0)),
        Element(f"C_{name}_ag", (anode, grid), get("cag", 1.7e-12)),
        Element(f"C_{name}_gk", (grid, cathode), get("cgk", 1.6e-12)),
        Element(f"R_{name}_ak", (anode, cathode), 1e9),
    ], [Model(f"M_{name}_g", "D", (("IS", 1e-9), ("N", 3.0)))]


def _pentode(part: Part) -> Built:
    """The triode's law driven by the screen, with an arctangent knee at the anode."""
    anode, screen, grid, cathode = _nodes(part)
    name = _id(part)
    get = part.parameter
    mu, kp = get("mu", 10.0), get("kp", 60.0)
    drive = (
        f"v({screen},{cathode})/{kp!r}*ln(1+exp({kp!r}*(1/{mu!r}"
        f"+v({grid},{cathode})/max(v({screen},{cathode}),1))))"
    )
    power = f"pow(max(v({name}_e),0),{get('ex', 1.4)!r})"
    knee = f"atan(max(v({anode},{cathode}),0)/{get('kvb', 24.0)!r})"
    return [
        Element(f"B_{name}_e", (f"{name}_e", GROUND), None, f"v={drive}"),
        Element(f"R_{name}_e", (f"{name}_e", GROUND), 1e6),
        Element(f"B_{name}_a", (anode, cathode), None,
                f"i=2*{power}/{get('kg1', 600.0)!r}*{knee}"),
        Element(f"B_{name}_s", (screen, cathode), None, f"i={power}/{get('kg2', 4500.0)!r}"),
        Element(f"D_{name}_g", (f"{name}_g", cathode), None, f"M_{name}_g"),
        Element(f"R_{name}_g", (grid, f"{name}_g"), get("rgi", 1000.0)),
        Element(f"R_{name}_ak", (anode, cathode), 1e9),
    ], [Model(f"M_{name}_g", "D", (("IS", 1e-9), ("N", 3.0)))]


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
    "opamp": _opamp,
    "triode": _triode,
    "pentode": _pentode,
}

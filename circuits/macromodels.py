"""Parts that SPICE has no model of: op-amps and valves, built from its simple elements."""

from __future__ import annotations

import math
from dataclasses import replace

from circuits.circuit import Element, Model
from circuits.spelling import node
from circuits.stage import GROUND, Part

POLE = 1e-9
"""F, of an op-amp's dominant pole."""
BOLTZMANN = 1.380649e-23
"""J/K, exact by the definition of the SI."""
CHARGE = 1.602176634e-19
"""C, exact by the definition of the SI."""
KELVIN = 300.15
"""K, the simulator's 27 °C."""
_LEAKAGE = 1e9
"""Ohm from a pin to ground of a part without power: it keeps a node from floating."""

Built = tuple[list[Element], list[Model]]


def nodes_of(part: Part) -> tuple[str, ...]:
    """The nodes of a part as SPICE takes them."""
    return tuple(node(name) for name in part.nodes)


def without_power(part: Part) -> Built:
    """What an ohmmeter sees of a part that works with power alone: nothing but leakage."""
    name = node(part.name)
    return [
        Element(f"R_{name}_{k}", (pin, GROUND), _LEAKAGE)
        for k, pin in enumerate(dict.fromkeys(nodes_of(part)))
        if pin != GROUND
    ], []


def opamp(part: Part) -> Built:
    """One pole, bias current, offset, noise with its 1/f corner, clamped swing, linear inside.

    The noise comes from a diode that carries 1 µA: its shot noise across its own slope
    resistance is 2kT·r_d, and KF = 2q·f_c gives the corner (SPICE's flicker equation, AF = 1).
    """
    name = node(part.name)
    nodes = nodes_of(part)
    plus, minus, out = nodes[:3]
    get = part.parameter
    gm = 2.0 * math.pi * get("gbw", 3e6) * POLE
    gain = max(get("gain", 2e5), 1e-9)
    sensed, offset, middle, inner = f"{name}_q", f"{name}_p", f"{name}_a", f"{name}_o"
    slope = BOLTZMANN * KELVIN / (CHARGE * 1e-6)
    own_noise = math.sqrt(2.0 * BOLTZMANN * KELVIN * slope)
    summed, rejection = _fed_by_rails(part, offset)
    elements = [
        *rejection,
        Element(f"R_{name}_in", (plus, minus), get("input resistance", 1e6)),
        Element(f"I_{name}_p", (plus, GROUND), get("bias current", 0.0)),
        Element(f"I_{name}_m", (minus, GROUND), get("bias current", 0.0)),
        Element(f"V_{name}_off", (offset, plus), get("offset", 0.0)),
        Element(f"I_{name}_n", (GROUND, f"{name}_n"), 1e-6),
        Element(f"D_{name}_n", (f"{name}_n", GROUND), None, f"M_{name}_n"),
        Element(f"C_{name}_n", (f"{name}_n", f"{name}_m"), 1e-6),
        Element(f"R_{name}_n", (f"{name}_m", GROUND), 1e9),
        Element(f"E_{name}_n", (sensed, summed, f"{name}_m", GROUND),
                get("noise voltage", 0.0) / own_noise),
        Element(f"G_{name}_gm", (GROUND, middle, sensed, minus), gm),
        Element(f"R_{name}_a", (middle, GROUND), gain / gm),
        Element(f"C_{name}_a", (middle, GROUND), POLE),
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
    corner = 2.0 * CHARGE * get("noise corner", 0.0)
    return elements, [
        Model(f"M_{name}_n", "D", (("IS", 1e-14), ("KF", corner), ("AF", 1.0))),
        Model(f"M_{name}_lim", "D", (("IS", 1e-12), ("N", 0.2))),
    ]


def before_opamp(part: Part) -> tuple[list[Element], list[Model], str]:
    """Offset, bias current and noise of an op-amp whose inside is a behaviour of its own.

    Returns
    -------
    elements, models, and the node that takes the place of its non-inverting pin
    """
    name = node(part.name)
    stated = {key for key, _ in part.parameters}
    elements, models = opamp(part)
    wanted = {f"V_{name}_off"}
    if "bias current" in stated:
        wanted |= {f"I_{name}_p", f"I_{name}_m"}
    if "noise voltage" not in stated:
        return [e for e in elements if e.name in wanted], [], f"{name}_p"
    wanted |= {f"{letter}_{name}_n" for letter in "IDCRE"}
    noisy = [
        replace(e, nodes=(e.nodes[0], f"{name}_p", *e.nodes[2:])) if e.name == f"E_{name}_n" else e
        for e in elements if e.name in wanted
    ]
    return noisy, [m for m in models if m.name == f"M_{name}_n"], f"{name}_q"


def _fed_by_rails(part: Part, before: str) -> tuple[str, list[Element]]:
    """What of the rails reaches the input; equal and opposite rails cancel.

    Returns the node behind the sources, and the sources: none for ideal rails or data that state
    no supply rejection.
    """
    name, nodes = node(part.name), nodes_of(part)
    decibels = part.parameter("supply rejection")
    if len(nodes) < 5 or decibels <= 0.0:
        return before, []
    share = 10.0 ** (-decibels / 20.0)
    between, behind = f"{name}_rj", f"{name}_rk"
    return behind, [
        Element(f"E_{name}_rj", (between, before, nodes[3], GROUND), share),
        Element(f"E_{name}_rk", (behind, between, nodes[4], GROUND), share),
    ]


def limited(part: Part, elements: list[Element]) -> list[Element]:
    """An op-amp whose slew rate and output current end where its data say.

    The input pair steers its whole tail current, a hyperbolic tangent; around rest both replace
    the linear elements exactly.
    """
    name, most = node(part.name), part.parameter("output current")
    for k, element in enumerate(elements):
        value = element.value or 0.0
        if element.name == f"G_{name}_gm" and part.parameter("slew rate") > 0.0:
            ground, middle, sensed, minus = element.nodes
            tail = part.parameter("slew rate") * POLE
            steer = f"i={tail!r}*tanh({value / tail!r}*v({sensed},{minus}))"
            elements[k] = Element(f"B_{name}_gm", (ground, middle), None, steer)
        elif element.name == f"R_{name}_o" and most > 0.0:
            inner, out = element.nodes
            share = f"(v({inner},{out})/{value * most!r})"
            limit = f"i={most!r}*{share}/sqrt(sqrt(1+{share}*{share}*{share}*{share}))"
            elements[k] = Element(f"B_{name}_o", (inner, out), None, limit)
    return elements


def triode(part: Part) -> Built:
    """The widely published behavioural triode: a soft power law; what is not stated is our own."""
    anode, grid, cathode = nodes_of(part)
    name = node(part.name)
    get = part.parameter
    mu, kp, kvb = get("mu", 96.0), get("kp", 540.0), get("kvb", 380.0)
    drive = (
        f"v({anode},{cathode})/{kp!r}*ln(1+exp({kp!r}*(1/{mu!r}"
        f"+v({grid},{cathode})/sqrt({kvb!r}+v({anode},{cathode})*v({anode},{cathode})))))"
    )
    law = f"i=2*pow(max(v({name}_e),0),{get('ex', 1.44)!r})/{get('kg1', 1180.0)!r}"
    return [
        Element(f"B_{name}_e", (f"{name}_e", GROUND), None, f"v={drive}"),
        Element(f"R_{name}_e", (f"{name}_e", GROUND), 1e6),
        Element(f"B_{name}_a", (anode, cathode), None, law),
        Element(f"D_{name}_g", (f"{name}_g", cathode), None, f"M_{name}_g"),
        Element(f"R_{name}_g", (grid, f"{name}_g"), get("rgi", 1700.0)),
        Element(f"C_{name}_ag", (anode, grid), get("cag", 1.5e-12)),
        Element(f"C_{name}_gk", (grid, cathode), get("cgk", 1.8e-12)),
        Element(f"R_{name}_ak", (anode, cathode), 1e9),
    ], [Model(f"M_{name}_g", "D", (("IS", 1e-9), ("N", 3.0)))]


def pentode(part: Part) -> Built:
    """The triode's law driven by the screen, with an arctangent knee at the anode.

    What is not stated is our own, for a power pentode: some 130 mA at 250 V, -13 V on the grid.
    """
    anode, screen, grid, cathode = nodes_of(part)
    name = node(part.name)
    get = part.parameter
    mu, kp = get("mu", 9.5), get("kp", 52.0)
    inner = f"({kp!r}*(1/{mu!r}+v({grid},{cathode})/max(v({screen},{cathode}),1)))"
    # ln(1+exp(x)), of an x that overflows it while the solver is on its way
    drive = f"v({screen},{cathode})/{kp!r}*(max({inner},0)+ln(1+exp(-abs({inner}))))"
    power = f"pow(max(v({name}_e),0),{get('ex', 1.38)!r})"
    knee = f"atan(max(v({anode},{cathode}),0)/{get('kvb', 28.0)!r})"
    return [
        Element(f"B_{name}_e", (f"{name}_e", GROUND), None, f"v={drive}"),
        Element(f"R_{name}_e", (f"{name}_e", GROUND), 1e6),
        Element(f"B_{name}_a", (anode, cathode), None,
                f"i=2*{power}/{get('kg1', 830.0)!r}*{knee}"),
        Element(f"B_{name}_s", (screen, cathode), None, f"i={power}/{get('kg2', 5600.0)!r}"),
        Element(f"D_{name}_g", (f"{name}_g", cathode), None, f"M_{name}_g"),
        Element(f"R_{name}_g", (grid, f"{name}_g"), get("rgi", 1300.0)),
        # without them an anode that is driven to its knee has no way there in time
        Element(f"C_{name}_ag", (anode, grid), get("cag", 0.5e-12)),
        Element(f"C_{name}_gk", (grid, cathode), get("cgk", 11e-12)),
        Element(f"C_{name}_ak", (anode, cathode), get("cak", 7e-12)),
        Element(f"R_{name}_ak", (anode, cathode), 1e9),
    ], [Model(f"M_{name}_g", "D", (("IS", 1e-9), ("N", 3.0)))]

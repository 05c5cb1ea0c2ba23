"""What stands behind the rails of a circuit: sources, resistances, impedances, a current limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from circuits.circuit import Element
from circuits.elements import LEAST_OHMS
from circuits.identity import ByIdentity
from circuits.spelling import node
from circuits.stage import GROUND, Rail, Stage

PAIR_OHMS = 1e-3
"""Of `pair_resistor`: so little adds nothing to the noise of a stage."""
_RAIL_CORNER = 2.0
"""Hz above which the impedance of a rail counts; below it the rail's voltage already tells all."""
_BENCH_OHMS = 0.1
"""Of a bench supply with its leads and what it senses its current with (judgement)."""
_BYPASS = 1e6
"""H that pass a rail's direct current beside an impedance that holds at one frequency."""
_LEAST_HENRIES = 1e-12
"""H of a rail's impedance without a reactance: nothing beside its resistance."""


@dataclass(frozen=True)
class Sounding:
    """An impedance at one frequency: Hz and ohm."""

    frequency: float
    impedance: complex


def rail_source(rail: str) -> str:
    """The voltage source behind a rail."""
    return f"Vrail_{node(rail)}"


def rail_ohms(rail: Rail) -> float:
    """Of `rail_resistor`, ohm."""
    return max(rail.resistance, LEAST_OHMS)


def rail_resistor(rail: str) -> str:
    """The resistor in series with that."""
    return f"Rrail_{node(rail)}"


def rail_ends(rail: Rail) -> tuple[str, str]:
    """The nodes of `rail_resistor`, the source first."""
    name = node(rail.name)
    return f"{name}_src", f"{name}_z_src" if rail.impedance else name


def pair_resistor(pair: tuple[str, str]) -> str:
    """The resistor whose noise moves two rails at once."""
    return f"Rpair_{node(pair[0])}_{node(pair[1])}"


def moved_by(stage: Stage, pair: tuple[str, str]) -> list[Element]:
    """The noise of a resistor as an e.m.f. behind two rails, as much for either.

    An e.m.f. in series with the resistor of a rail is the same as a current of e.m.f. / R beside.
    """
    source = _common(pair)
    rails = (rail for rail in stage.rails if rail.name in pair)
    return [source, *(_beside(rail, source) for rail in rails)]


@lru_cache(maxsize=64)
def _common(pair: tuple[str, str]) -> Element:
    at = f"{node(pair[0])}_{node(pair[1])}_pair_src"
    return Element(pair_resistor(pair), (at, GROUND), PAIR_OHMS)


@ByIdentity
def _beside(rail: Rail, source: Element) -> Element:
    name = f"G{source.name}_{node(rail.name)}"
    return Element(name, (*rail_ends(rail), *source.nodes), 1.0 / rail_ohms(rail))


def behind(
    rail: Rail, start: float | None = None, found: Sounding | None = None
) -> list[Element]:
    """A rail, its source and what is in series with that.

    Parameters
    ----------
    start : float, optional
        V, where it jumps from there to its own at time 0.
    found : Sounding, optional
        Its impedance at one frequency, in place of its own.
    """
    name = node(rail.name)
    inner, source = f"{name}_src", rail_source(rail.name)
    outer = f"{name}_z_src" if rail.impedance or found is not None else name
    elements = (
        [Element(source, (inner, GROUND), rail.volts)] if start is None
        else jumping(source, (inner, GROUND), start, rail.volts)
    )
    if rail.limit:
        elements.append(_limiter(rail, inner, outer))
    else:
        elements.append(Element(rail_resistor(rail.name), (inner, outer), rail_ohms(rail)))
    if found is not None:
        elements += _sounded(name, outer, found)
    elif rail.impedance:
        choke = rail.impedance / (2.0 * math.pi * _RAIL_CORNER)
        elements.append(Element(f"Rrail_{name}_z", (outer, name), rail.impedance))
        elements.append(Element(f"Lrail_{name}", (outer, name), choke))
    return elements


resting = ByIdentity(behind)


def jumping(name: str, nodes: tuple[str, ...], start: float, volts: float) -> list[Element]:
    """A source that leaves where it starts at time 0.

    Not a piecewise linear one: its corners can stop Gear's method for good.
    """
    inner, back = nodes
    moving, jump = f"{inner}_b", f"v=time>0?{volts!r}:{start!r}"
    return [
        Element(name, (inner, moving), 0.0),
        Element(f"B{name.removeprefix('V')}", (moving, back), None, jump),
    ]


def _limiter(rail: Rail, inner: str, outer: str) -> Element:
    """A bench supply's current limit: leads and shunt below it, a source of current beyond."""
    drop = f"(v({inner})-v({outer}))"
    amps = f"{rail.limit!r}*tanh({drop}/{rail.limit * _BENCH_OHMS!r})"
    return Element(f"Blimit_{node(rail.name)}", (inner, outer), None, f"i={amps}")


def _sounded(name: str, outer: str, found: Sounding) -> list[Element]:
    """An impedance as a resistor and an inductor, which at one frequency may well be negative."""
    middle = f"{name}_x_src"
    henries = found.impedance.imag / (2.0 * math.pi * found.frequency)
    ohms = max(found.impedance.real, LEAST_OHMS)
    return [
        Element(f"Rrail_{name}_z", (outer, middle), ohms),
        Element(f"Lrail_{name}_x", (middle, name), henries or _LEAST_HENRIES),
        Element(f"Lrail_{name}", (outer, name), _BYPASS),
    ]

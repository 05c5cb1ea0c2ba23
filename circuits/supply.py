"""The supply behind a rail: which parts it has, and the circuit they make.

::

    winding → rectifier → reservoir → [filter resistor → filter capacitor] → [regulator] → rail

The regulator is a zener across the rail, or a zener at the base of a pass transistor. Parts have
short names and nodes of their own, so that two rails drawn alike are one simulation. Two of them
are no parts that can be bought singly: ``transformer`` (kind ``winding``: e.m.f. over the healthy
one, series resistance of winding and mains as its value) and ``supply`` (kind ``demand``: the
direct current that is drawn from the whole).

A negative rail is the mirror image of a positive one and is simulated as that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from circuits.circuit import Circuit, Element
from circuits.device import load_devices
from circuits.partfile import series_resistance
from circuits.stage import GROUND, Part, Supply

DIODES = {"half-wave": 1, "full-wave": 2, "bridge": 4}
"""Diodes of a rectifier; full-wave means two of them on a winding with a tap in its middle."""

DIODE = "rectifier diode"
"""The one diode of the rectifier that may be at fault; the others are like the drawn one."""
RESERVOIR = "reservoir"
TRANSFORMER = "transformer"
DEMAND = "supply"

WINDING = "Vwinding"
"""The source of e.m.f., whose current is the winding's."""
_OTHER_HALF = "Vother"
PROBE = "Iprobe"
"""An idle current source into the rail."""

RAW = "raw"
_FILTERED = "filtered"
_OUT = "rail"
_REFERENCE = "reference"

IMBALANCE = 0.001
"""How far two halves of a winding, or two pairs of a bridge's diodes, differ (judgement): it
leaves a trace of the mains frequency in the ripple of a good full-wave supply."""

FADE = 1e-5
"""s: how long a run takes to set its capacitors free."""

_LEAST_OHMS = 1e-3
"""Ohm, at least, of a winding, whose current would have no limit without."""
_PULSING = (TRANSFORMER, DIODE, DEMAND)
_DIRECT = 1e9
"""H that pass the direct current and nothing else."""


@dataclass(frozen=True)
class Filter:
    """A resistor and a capacitor after the reservoir; SI units, `esr` 0 is the usual one."""

    resistor: float
    capacitor: float
    esr: float = 0.0


@dataclass(frozen=True)
class Regulator:
    """A zener (V) fed through `resistor`, a capacitor across it, and a pass transistor's device.

    Without `transistor` the zener lies across the rail; `capacitor` 0 means none; `input` is what
    it is fed with, V.
    """

    zener: float
    resistor: float
    input: float
    capacitor: float = 0.0
    transistor: str = ""


def drawn(
    rectifier: str,
    reservoir: float,
    current: float,
    series_resistance_: float,
    esr: float = 0.0,
    diode: str = "rectifier-diode",
    filter_: Filter | None = None,
    regulator: Regulator | None = None,
    name: str = "",
    transformer: str = "",
    winding: float = 0.0,
) -> Supply:
    """A healthy supply.

    Parameters
    ----------
    rectifier : {"half-wave", "full-wave", "bridge"}
    reservoir, esr : float
        F, and its series resistance in ohm (0 is the usual one).
    current : float
        What is drawn from the whole supply, A.
    series_resistance_ : float
        Of winding (each half of it) and mains, ohm.
    diode : str
        Device of the rectifier.
    name, transformer, winding
        As in `Supply`.
    """
    # a supply was drawn with diodes that stand the reverse voltage
    model = tuple((k, v) for k, v in load_devices()[diode].parameters if k not in ("BV", "IBV"))
    count = DIODES[rectifier]
    ends = ("b", RAW) if rectifier == "bridge" else ("a", RAW)
    role = "the rectifier" if count == 1 else f"one of the {count} diodes of the rectifier"
    parts = [
        Part(
            TRANSFORMER, "winding", ("a", GROUND), series_resistance_,
            role="mains transformer, as seen from its secondary",
            parameters=(("emf", 1.0), ("imbalance", 0.0 if count == 1 else IMBALANCE)),
        ),
        Part(DIODE, "rectifier", ends, role=role, model=diode, parameters=model),
        _capacitor(RESERVOIR, RAW, reservoir, esr, "reservoir"),
    ]
    at = RAW
    if filter_ is not None:
        parts += [
            _resistor("filter resistor", at, _FILTERED, filter_.resistor, "smoothing"),
            _capacitor(
                "filter capacitor", _FILTERED, filter_.capacitor, filter_.esr, "smoothing"
            ),
        ]
        at = _FILTERED
    if regulator is not None:
        parts += _regulator(regulator, at)
        at = _OUT
    parts.append(
        Part(DEMAND, "demand", (at, GROUND), role="everything fed by this supply",
             parameters=(("current", current),))
    )
    whole = tuple(parts)
    return Supply(
        rectifier, whole, whole, name, transformer, winding, regulator.input if regulator else 0.0
    )


def _resistor(name: str, a: str, b: str, ohms: float, role: str) -> Part:
    return Part(name, "carbon-film", (a, b), ohms, 0.05, role)


def _capacitor(name: str, at: str, farads: float, esr: float, role: str) -> Part:
    return Part(name, "electrolytic", (at, GROUND), farads, 0.20, role,
                esr=esr or series_resistance("electrolytic", farads))


def _regulator(about: Regulator, fed: str) -> list[Part]:
    devices = load_devices()
    reference = _REFERENCE if about.transistor else _OUT
    zener = devices["zener"]
    parts = [
        _resistor("zener resistor", fed, reference, about.resistor, "feeds the zener"),
        Part("zener", "zener", (GROUND, reference), about.zener, 0.05, "reference", "zener",
             zener.parameters, zener.spread),
    ]
    if about.capacitor:
        parts.append(
            _capacitor("zener capacitor", reference, about.capacitor, 0.0, "across the zener")
        )
    if about.transistor:
        device = devices[about.transistor]
        nodes = (fed, _REFERENCE, _OUT)
        parts.append(Part("pass transistor", device.kind, nodes, None, 0.0, "series regulator",
                          device.name, device.parameters, device.spread))
    return parts


def output(supply: Supply) -> str:
    """The node of the rail."""
    return drawn_part(supply, DEMAND).nodes[0]


def drawn_part(supply: Supply, name: str) -> Part:
    """A part as it was drawn, by its short name."""
    return next(part for part in supply.design if part.name == name)


def current(supply: Supply) -> float:
    """What is drawn from the healthy supply, A."""
    return drawn_part(supply, DEMAND).parameter("current")


def circuit(
    supply: Supply,
    volts: float,
    peak: float,
    mains: float,
    rest: float = 0.0,
    charges: Mapping[str, float] | None = None,
    fed: float = 0.0,
) -> Circuit:
    """The supply on the mains, loaded with a resistor.

    Parameters
    ----------
    volts : float
        Positive; a healthy demand is a resistor that draws its current from so much.
    peak : float
        Peak e.m.f. that the healthy winding (each half of it) has on nominal mains, V.
    mains : float
        Hz.
    rest : float
        V of e.m.f. that an operating point is taken at; a transient run begins at none.
    charges : mapping of str to float, optional
        What the capacitors of `capacitors` are charged to as a run begins, V; nothing else is.
    fed : float
        A that flow into the reservoir besides.
    """
    # imported here: what has no supply simulated needs no elements
    from circuits.elements import built

    transformer = supply.part(TRANSFORMER)
    ratio = transformer.parameter("emf") * supply.mains
    demand = supply.part(DEMAND).parameter("current")
    parts = [_spelt(p) for p in supply.parts if p.name not in (TRANSFORMER, DEMAND)]
    elements, models = built(parts)
    elements = [piece for e in elements for piece in _charged(e, charges or {})]
    elements += _winding(supply, transformer, peak * ratio, rest * ratio, mains)
    healthy, cards = built(_others(supply))
    at = _node(output(supply))
    elements += [
        *healthy,
        Element("Rdemand", (at, GROUND), volts / demand),
        Element(PROBE, (GROUND, at), 0.0),
        Element("Ifed", (GROUND, RAW), fed),
    ]
    return Circuit(tuple(elements), tuple(dict.fromkeys(models + cards)))


def averaged(supply: Supply, volts: float, raw: float, ohms: float) -> Circuit:
    """The supply with a steady source in place of winding and rectifier, for small signals.

    Parameters
    ----------
    volts : float
        As `circuit`.
    raw : float
        Direct voltage of the reservoir, V.
    ohms : float
        Resistance from which winding and rectifier feed it, averaged over a cycle.
    """
    from circuits.elements import built

    parts = [_spelt(p) for p in supply.parts if p.name.partition(".")[0] not in _PULSING]
    elements, models = built(parts)
    demand = supply.part(DEMAND).parameter("current")
    at = _node(output(supply))
    source = (
        Element("Vraw", ("steady", GROUND), raw),
        Element("Rraw", ("steady", RAW), ohms),
        Element("Lraw", ("steady", RAW), _DIRECT),
        Element("Rdemand", (at, GROUND), volts / demand),
        Element(PROBE, (GROUND, at), 0.0),
    )
    return Circuit((*elements, *source), tuple(models))


def halves(supply: Supply) -> tuple[str, ...]:
    """The sources of e.m.f. whose currents make that of the rectifier, `WINDING` first."""
    return (WINDING, _OTHER_HALF) if supply.rectifier == "full-wave" else (WINDING,)


def capacitors(net: Circuit) -> dict[str, tuple[str, str]]:
    """The capacitors of a supply's circuit and the nodes of each."""
    return {
        e.name: (e.nodes[0], e.nodes[1]) for e in net.elements if e.name.startswith("C_")
    }


def _charged(element: Element, charges: Mapping[str, float]) -> list[Element]:
    """A capacitor that is charged when a run begins at no e.m.f.

    A source in series holds its charge against it while the operating point is found, and fades
    within `FADE`.
    """
    if element.name not in charges:
        return [element]
    a, b = element.nodes
    inner = f"{element.name}_held"
    held = f"dc 0 pwl(0 {-charges[element.name]!r} {FADE!r} 0)"
    return [
        Element(element.name, (a, inner), element.value),
        Element(f"V_{element.name}", (inner, b), None, held),
    ]


def _winding(
    supply: Supply, about: Part, peak: float, rest: float, mains: float
) -> list[Element]:
    """E.m.f. and resistance; at rest what conducts is never the diode that may be at fault."""
    ohms = max(about.value or 0.0, _LEAST_OHMS)
    half = about.parameter("imbalance") * peak / 2.0

    def source(name: str, nodes: tuple[str, str], crest: float, mean: float = 0.0) -> Element:
        still = math.copysign(rest, crest)
        return Element(name, nodes, None, f"dc {still!r} sin({mean!r} {crest!r} {mains!r} 0 0 180)")

    if supply.rectifier == "half-wave":
        return [source(WINDING, ("w", GROUND), peak), Element("Rwinding", ("w", "a"), ohms)]
    if supply.rectifier == "full-wave":
        return [
            source(WINDING, ("w", GROUND), -(peak - half)),
            Element("Rwinding", ("w", "a"), ohms),
            source(_OTHER_HALF, ("v", GROUND), peak + half),
            Element("Rother", ("v", "b"), ohms),
        ]
    return [
        source(WINDING, ("w", "b"), peak, half),
        Element("Rwinding", ("w", "a"), ohms),
        Element("Rleak", ("b", GROUND), 1e8),  # a bridge that does not conduct floats
    ]


def _others(supply: Supply) -> list[Part]:
    """The diodes that are not `DIODE`."""
    diode = drawn_part(supply, DIODE)
    ends = {
        "half-wave": (),
        "full-wave": (("b", RAW),),
        "bridge": (("a", RAW), (GROUND, "a"), (GROUND, "b")),
    }[supply.rectifier]
    return [replace(diode, name=f"other{k}", nodes=pair) for k, pair in enumerate(ends)]


def _node(name: str) -> str:
    return name.replace(" ", "-")


def _spelt(part: Part) -> Part:
    """The part with names that a netlist takes."""
    return replace(part, name=_node(part.name), nodes=tuple(map(_node, part.nodes)))

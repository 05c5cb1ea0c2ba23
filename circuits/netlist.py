"""Stage → the circuit that the simulator solves.

Everything around the parts is built here too: the generator behind its source impedance, each
rail behind a small resistance, the load, and idle sources through which the bench later drives
the output node or a stray current. Sources idle at an a.c. magnitude of zero.

With a `Drive` the generator follows an expression of time, and what does not show in a small signal
is built as well: an op-amp's slew rate and its greatest output current.

Names: part ``R1`` becomes the element ``R_r1``; what belongs to the bench has names of its own
(`GENERATOR`, `LOAD`, `PROBE`, `rail_source`, `stray_resistor`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from circuits.circuit import Circuit, Element, Model
from circuits.elements import LEAST_OHMS, built
from circuits.identity import ByIdentity
from circuits.joints import joined
from circuits.spelling import node as node
from circuits.stage import GROUND, Part, Rail, Stage

GENERATOR = "Vgen"
SOURCE = "Rgen"
LOAD = "Rload"
PROBE = "Iprobe"
METER = "Vmeter"

STRAY_OHMS = 1e11
"""Beside the highest impedance of an amplifier this is nothing."""
METER_OFF = 1e15
"""Ohm of a voltmeter that is not used: less of a leak than any that a circuit is solved with."""
PROBE_OFF = 1e-24
"""Farad of both capacitors of an a.c. input that is not used."""
COUPLING = 1.0
"""Farad by which an a.c. input that is on is coupled: of 1 Mohm, a microhertz."""
PAIR_OHMS = 1e-3
"""Of `pair_resistor`: so little adds nothing to the noise of a stage."""
METER_VOLTS = 0.1
"""An ohmmeter's low-power range: too little to turn a junction on."""
_METER_OHMS = 1e3
"""Ohm between the ohmmeter's source and its red lead: it drives 0.1 mA at most."""
_OPEN_LOAD = 1e9
"""Ohm at the output of a stage that states no load."""
_RAIL_CORNER = 2.0
"""Hz above which the impedance of a rail counts; below it the rail's voltage already tells all."""
_BENCH_OHMS = 0.1
"""Of a bench supply with its leads and what it senses its current with (judgement)."""
_BYPASS = 1e6
"""H that pass a rail's direct current beside an impedance that holds at one frequency."""


_LEAST_HENRIES = 1e-12
"""H of a rail's impedance without a reactance: nothing beside its resistance."""


_KEPT, _SETUPS = 2_000, 256
"""Whole units, and setups of instruments, whose elements are kept (judgement)."""

Made = tuple[tuple[Element, ...], tuple[Model, ...]]
"""Elements, and the models that they name."""


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
    cosines : tuple of (float, float)
        V peak and Hz; where there are any, their sum takes the place of `volts`.
    """

    volts: str
    start: tuple[tuple[str, float], ...] = ()
    cosines: tuple[tuple[float, float], ...] = ()


STILL = Drive("")
"""Nothing moves, but what only shows in large signals is built: for `Periodic`."""


@dataclass(frozen=True)
class Sounding:
    """An impedance at one frequency: Hz and ohm."""

    frequency: float
    impedance: complex


def rail_source(rail: str) -> str:
    """The voltage source behind a rail."""
    return f"Vrail_{node(rail)}"


def source_ohms(stage: Stage) -> float:
    """Of `SOURCE`, the generator's impedance, ohm."""
    return max(stage.source_impedance, LEAST_OHMS)


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


def stray_resistor(at: str) -> str:
    """The resistor from a node to ground beside which stray mains current flows into it."""
    return f"Rstray_{node(at)}"


def voltmeter(number: int) -> str:
    """The resistor that stands for one of the voltmeters."""
    return f"Rvoltmeter_{number}"


@dataclass(frozen=True)
class Ready:
    """An a.c. input that lies ready at a node, off.

    Attributes
    ----------
    at : str
        Node, as the stage has it.
    group : str
        Inputs of one group are switched on together: ``signal``, ``both`` or ``heard``, of which
        the last makes noise of its own.
    """

    at: str
    ohms: float
    farads: float
    group: str

    @property
    def names(self) -> tuple[str, str, str]:
        """Its resistor, the capacitor that couples it, and the one beside."""
        tag = f"{node(self.at)}_{_tag(self.ohms)}_{_tag(self.farads)}_{self.group}"
        return f"Rprobe_{tag}", f"Ccoupling_{tag}", f"Cprobe_{tag}"

    @property
    def models(self) -> tuple[str, str]:
        """Of the two capacitors; the inputs of a group share them."""
        return f"coupling_{self.group}", f"probe_{_tag(self.farads)}_{self.group}"


HEARD = "heard"
"""The group of inputs that noise and hum are read by."""


def _tag(value: float) -> str:
    return re.sub(r"\W", "_", repr(value))


def voltmeters(ohms: float) -> str:
    """The model of the resistors that stand for all voltmeters of so many ohms."""
    return "voltmeters_" + _tag(ohms)


def circuit(
    stage: Stage,
    load: float = 0.0,
    drive: Drive | None = None,
    meters: Sequence[tuple[str, str, float]] = (),
    probes: Sequence[Ready] = (),
    pairs: Sequence[tuple[str, str]] = (),
) -> Circuit:
    """The stage with power on, generator and load connected.

    Parameters
    ----------
    load : float
        Ohm, in place of the stage's own load; 0 keeps that.
    drive : Drive, optional
        For a transient run.
    meters : sequence of (node, node, ohm)
        Voltmeters that lie ready; the bench switches them on one at a time.
    probes : sequence of Ready
        A.c. inputs that lie ready.
    pairs : sequence of (str, str)
        Rails beside which a resistor's noise moves both at once.
    """
    elements = around(stage, load, drive)
    voltmeters_ready, of_meters = _meters_ready(tuple(meters))
    inputs_ready, of_inputs = _inputs_ready(tuple(probes))
    elements += voltmeters_ready
    elements += inputs_ready
    for pair in pairs:
        elements += _moved(stage, pair)
    parts, models = _built(stage.parts, drive is not None)
    elements += parts
    return Circuit(tuple(elements), (*models, *of_meters, *of_inputs))


def _voltmeters(meters: tuple[tuple[str, str, float], ...]) -> Made:
    # without its noise, which would be worked out at every frequency though it is none
    elements = [
        Element(voltmeter(k), (node(at), node(origin)), None, f"{voltmeters(ohms)} noisy=0")
        for k, (at, origin, ohms) in enumerate(meters)
    ]
    kinds = dict.fromkeys(voltmeters(ohms) for _, _, ohms in meters)
    return tuple(elements), tuple(Model(name, "r", (("r", METER_OFF),)) for name in kinds)


def _inputs(probes: tuple[Ready, ...]) -> Made:
    couplings = dict.fromkeys(name for one in probes for name in one.models)
    return (tuple(element for one in probes for element in _probe(one)),
            tuple(Model(name, "c", (("cap", PROBE_OFF),)) for name in couplings))


_meters_ready = ByIdentity(_voltmeters, _SETUPS)
_inputs_ready = ByIdentity(_inputs, _SETUPS)
"""What lies ready, off, and its models: variants share the setup, and then these."""


def _probe(one: Ready) -> tuple[Element, ...]:
    at, (resistor, coupling, capacitor) = node(one.at), one.names
    inner = f"{resistor}_src"
    through, beside = one.models
    quiet = "" if one.group == HEARD else " noisy=0"
    return (
        Element(coupling, (at, inner), None, through),
        Element(resistor, (inner, GROUND), None, f"{one.ohms!r}{quiet}"),
        Element(capacitor, (at, GROUND), None, beside),
    )


def _moved(stage: Stage, pair: tuple[str, str]) -> list[Element]:
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


def _of_parts(parts: tuple[Part, ...], limited: bool) -> Made:
    elements, models = built(parts, limited=limited)
    return tuple(elements), tuple(models)


_built = ByIdentity(_of_parts, _KEPT)
"""`built`, by the very parts of a unit: rails and drives change around them."""


def around(
    stage: Stage,
    load: float = 0.0,
    drive: Drive | None = None,
    at: Mapping[str, Sounding] | None = None,
    of: str = "",
) -> list[Element]:
    """All that is connected to the parts of a stage: what `circuit` has besides them.

    Parameters
    ----------
    stage, load, drive
        As `circuit`.
    at : mapping of rail name to Sounding, optional
        Impedances of rails that hold at one frequency only, in place of their own.
    of : str
        What the names of the bench's own elements and nodes end in, where there are two stages.
    """
    given = at or {}
    elements: list[Element] = []
    if drive is None or drive == STILL:
        elements.append(_generator(node(stage.input_return), of))
    else:
        elements += _driving(node(stage.input_return), drive)
    elements += _ports(
        (f"gen{of}", node(stage.input)), source_ohms(stage),
        (node(stage.output), node(stage.load_return)), load or stage.load or _OPEN_LOAD, of,
    )
    begun = dict(drive.start) if drive is not None else {}
    for rail in stage.rails:
        if rail.name in given or rail.name in begun:
            elements += _rail(rail, begun.get(rail.name), given.get(rail.name))
        else:
            elements += _resting(rail)
    for where in (*(at for at, _ in stage.stray), *stage.charged):
        elements.append(_stray(where))
    return elements + joined(stage.chain) if stage.chain is not None else elements


# Variants share these elements, since what else is told of an element is told of the object.


@lru_cache(maxsize=64)
def _generator(back: str, of: str) -> Element:
    return Element(GENERATOR + of, (f"gen{of}", back), 0.0)


@lru_cache(maxsize=256)
def _ports(
    source: tuple[str, str], source_ohms: float, ends: tuple[str, str], load: float, of: str
) -> tuple[Element, ...]:
    return (
        Element(SOURCE + of, source, source_ohms),
        Element(LOAD + of, ends, load),
        Element(PROBE + of, ends[::-1], 0.0),
    )


@lru_cache(maxsize=256)
def _stray(where: str) -> Element:
    return Element(stray_resistor(where), (node(where), GROUND), STRAY_OHMS)


def _rail(
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
        else _jumping(source, (inner, GROUND), start, rail.volts)
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


_resting = ByIdentity(_rail)


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


def cosines(crests: Sequence[float], frequencies: Sequence[float]) -> str:
    """The sum of some tones, V peak and Hz, as an expression of time."""
    return "+".join(
        f"{crest!r}*cos({2.0 * math.pi * hertz!r}*time)"
        for crest, hertz in zip(crests, frequencies, strict=True)
    )


def moved(
    net: Circuit, source: str, volts: str, start: tuple[tuple[str, float], ...] = ()
) -> Circuit:
    """A circuit made with `STILL`, with what moves in a transient run.

    Parameters
    ----------
    source : str
        That drives; it is `GENERATOR` that a stage has.
    volts, start
        As in `Drive`.
    """
    begun = {rail_source(rail): begin for rail, begin in start}
    elements: list[Element] = []
    for element in net.elements:
        if element.name == source:
            plus, back = element.nodes
            inner = f"{plus}_b"
            elements.append(Element("Bdrive", (plus, inner), None, f"v=time>0?{volts}:0"))
            elements.append(Element(element.name, (inner, back), 0.0))
        elif element.name in begun and element.value is not None:
            elements += _jumping(element.name, element.nodes, begun[element.name], element.value)
        else:
            elements.append(element)
    return Circuit(tuple(elements), net.models, net.options, net.temperature)


def _jumping(name: str, nodes: tuple[str, ...], start: float, volts: float) -> list[Element]:
    """A source that leaves where it starts at time 0.

    Not a piecewise linear one: its corners can stop Gear's method for good.
    """
    inner, back = nodes
    moving, jump = f"{inner}_b", f"v=time>0?{volts!r}:{start!r}"
    return [
        Element(name, (inner, moving), 0.0),
        Element(f"B{name.removeprefix('V')}", (moving, back), None, jump),
    ]


def _driving(back: str, drive: Drive) -> list[Element]:
    # an expression of thirty cosines would take longer than the stage does; added up as currents
    # in one ohm they cost a third
    added = [
        Element(f"Itone_{k}", (GROUND, "gen_sum"), None, f"SIN(0 {size!r} {frequency!r} 0 0 90)")
        for k, (size, frequency) in enumerate(drive.cosines)
    ]
    if added:
        added.append(Element("Rtone", ("gen_sum", GROUND), 1.0))
    volts = "v(gen_sum)" if added else drive.volts
    return [
        *added,
        Element("Bdrive", ("gen", "gen_b"), None, f"v=time>0?{volts}:0"),
        Element(GENERATOR, ("gen_b", back), 0.0),
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
    parts, models = built(stage.parts, powered=False)
    return Circuit(tuple(elements + parts), tuple(models))


def _earth(stage: Stage) -> Element:
    return Element("Rearth", (node(stage.output), GROUND), 1e12)

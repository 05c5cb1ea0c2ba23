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


_LAST: dict[bool, tuple[tuple[Part, ...], tuple[Element, ...], tuple[Model, ...]]] = {}


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
    for k, (at, origin, ohms) in enumerate(meters):
        ends = (node(at), node(origin))
        # without its noise, which would be worked out at every frequency though it is none
        elements.append(Element(voltmeter(k), ends, None, f"{voltmeters(ohms)} noisy=0"))
    for one in probes:
        elements += _probe(one)
    for pair in pairs:
        elements += _moved(stage, pair)
    parts, models = _built(stage.parts, drive is not None)
    kinds = dict.fromkeys(voltmeters(ohms) for _, _, ohms in meters)
    couplings = dict.fromkeys(name for one in probes for name in one.models)
    models = (*models, *(Model(name, "r", (("r", METER_OFF),)) for name in kinds),
              *(Model(name, "c", (("cap", PROBE_OFF),)) for name in couplings))
    return Circuit((*elements, *parts), models)


@lru_cache(maxsize=64)
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
    name, at = pair_resistor(pair), f"{node(pair[0])}_{node(pair[1])}_pair_src"
    elements = [Element(name, (at, GROUND), PAIR_OHMS)]
    for rail in (rail for rail in stage.rails if rail.name in pair):
        elements.append(Element(
            f"G{name}_{node(rail.name)}", (*rail_ends(rail), at, GROUND), 1.0 / rail_ohms(rail)
        ))
    return elements


def _built(
    parts: tuple[Part, ...], limited: bool
) -> tuple[tuple[Element, ...], tuple[Model, ...]]:
    """`built`, kept for the parts that were asked for last: rails and drives change around them.

    They are told by identity, since looking at each would take as long as building it.
    """
    last = _LAST.get(limited)
    if last is None or last[0] is not parts:
        elements, models = built(parts, limited=limited)
        last = _LAST[limited] = parts, tuple(elements), tuple(models)
    return last[1:]


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
    ends = (node(stage.output), node(stage.load_return))
    elements = [
        *_generator(node(stage.input_return), drive, of),
        Element(SOURCE + of, (f"gen{of}", node(stage.input)), source_ohms(stage)),
        Element(LOAD + of, ends, load or stage.load or _OPEN_LOAD),
        Element(PROBE + of, ends[::-1], 0.0),
    ]
    for rail in stage.rails:
        inner, name = f"{node(rail.name)}_src", node(rail.name)
        elements += _rail(rail, inner, drive)
        outer = f"{name}_z_src" if rail.impedance or rail.name in given else name
        if rail.limit:
            elements.append(_limiter(rail, inner, outer))
        else:
            elements.append(Element(rail_resistor(rail.name), (inner, outer), rail_ohms(rail)))
        if rail.name in given:
            elements += _sounded(name, outer, given[rail.name])
        elif rail.impedance:
            choke = rail.impedance / (2.0 * math.pi * _RAIL_CORNER)
            elements.append(Element(f"Rrail_{name}_z", (outer, name), rail.impedance))
            elements.append(Element(f"Lrail_{name}", (outer, name), choke))
    for where in (*(at for at, _ in stage.stray), *stage.charged):
        elements.append(Element(stray_resistor(where), (node(where), GROUND), STRAY_OHMS))
    return elements + joined(stage.chain)


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


def _generator(back: str, drive: Drive | None, of: str) -> list[Element]:
    if drive is None or drive == STILL:
        return [Element(GENERATOR + of, (f"gen{of}", back), 0.0)]
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


def _rail(rail: Rail, inner: str, drive: Drive | None) -> list[Element]:
    name = rail_source(rail.name)
    start = dict(drive.start).get(rail.name) if drive is not None else None
    if start is None:
        return [Element(name, (inner, GROUND), rail.volts)]
    return _jumping(name, (inner, GROUND), start, rail.volts)


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

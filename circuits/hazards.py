"""What in a stage can hurt a person or destroy a part, in numbers, from what the stage is.

Voltages and energies are what good parts allow without a load: no stage file need say them. The
words for them stand in `circuits.cautions`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from circuits import supply as drawn
from circuits.kinds import kind
from circuits.stage import GROUND, Part, Rail, Stage, short_name
from circuits.topology import direct

LETHAL_V = 50.0
"""Above this a voltage can kill: V d.c., and V RMS the more so (common practice; the limits of
extra-low voltage in IEC 61140 are 120 V d.c. without ripple and 50 V a.c., less where it is wet;
from memory)."""
LOUDSPEAKER_OHMS = 32.0
"""A load up to here is a loudspeaker (common practice: 4 to 16 ohm, headphones from 32)."""
TELLING_JOULES = 0.1
"""Less than this is not named: a capacitor on a preamplifier's rail (judgement)."""
SQUARE_HZ = 10e3
"""A usual square wave for slew rate (common practice)."""

_PASSES = ("resistor", "potentiometer", "inductor", "contact", "transformer")
"""Families through which a rail charges what follows."""
_ZOBEL = (100.0, 2e-6)
"""Ohm and F up to which a resistor and a capacitor in series to ground are a Zobel network."""
_SERIES = 10.0
"""Times the load: a resistor up to here lies in the way of a loudspeaker's current (judgement)."""
_DIODE_V = 0.8
"""Drop of a rectifier at the peak of its current (common practice)."""


@dataclass(frozen=True)
class Voltage:
    """The highest voltage of a stage.

    Attributes
    ----------
    volts : float
        V d.c. without load, or V RMS.
    where : str
        ``at vcc``, ``between vcc and vee``, ``across the winding of main``.
    alternating : bool
        Whether ``volts`` is RMS.
    rises : bool
        Whether the supply is not known, so that it may have more without its load.
    """

    volts: float
    where: str
    alternating: bool = False
    rises: bool = True

    @property
    def lethal(self) -> bool:
        """Whether it can kill."""
        return self.volts > LETHAL_V


@dataclass(frozen=True)
class Charged:
    """A capacitor that keeps a charge when the power is off.

    Attributes
    ----------
    farads, volts : float
        F; V at the most.
    """

    name: str
    farads: float
    volts: float

    @property
    def joules(self) -> float:
        """½CV²."""
        return 0.5 * self.farads * self.volts**2


@dataclass(frozen=True)
class Hazards:
    """All of it.

    Attributes
    ----------
    powered : bool
        Whether there is a supply somewhere, and the mains behind it.
    highest : Voltage or None
        None where no voltage of the unit is known.
    reservoirs : tuple of Charged
        The most energy first; those above `TELLING_JOULES`.
    power_stage : bool
        Whether it drives a loudspeaker.
    load : float
        The stage's own, ohm; 0 for none.
    output : float
        V of direct voltage that a fault can put on the output; 0 where none gets there.
    behind : str
        The capacitor that keeps it from there while good; empty where nothing does.
    transformed : bool
        Whether valves feed the loudspeaker through a transformer.
    zobel : tuple of str
        Resistors of Zobel networks.
    zobel_watts : float
        W in the one that takes most, with a square wave of the full swing at `SQUARE_HZ`.
    swing : float
        The full swing, V from peak to peak.
    valves, set_bias : bool
        Whether it has valves; whether it is a power stage whose idle current is set.
    """

    powered: bool
    highest: Voltage | None
    reservoirs: tuple[Charged, ...]
    power_stage: bool
    load: float
    output: float
    behind: str
    transformed: bool
    zobel: tuple[str, ...]
    zobel_watts: float
    swing: float
    valves: bool
    set_bias: bool

    @property
    def lethal(self) -> bool:
        """Whether its highest voltage can kill."""
        return self.highest is not None and self.highest.lethal

    @property
    def dummy_watts(self) -> float:
        """What the stage's own load takes from the whole direct voltage, V²/R."""
        return self.output**2 / self.load if self.load else 0.0


def hazards(stage: Stage) -> Hazards:
    """What can hurt in a stage or a unit."""
    valves = any(kind(part.kind).family in ("triode", "pentode") for part in stage.parts)
    volts = {rail.name: open_volts(rail) for rail in stage.rails}
    level, behind = _at_output(stage, volts)
    # what stands at a rail of one sign directly is a supply: a loudspeaker wants its middle at 0 V
    single = not behind and len({v > 0.0 for v in level.values()}) == 1
    power = drives_loudspeaker(stage) and not single
    swing = max([0.0, *level.values()]) - min([0.0, *level.values()])
    zobel = list(_zobels(stage)) if power else []
    highest = _highest(stage, volts)
    return Hazards(
        powered=bool(stage.rails) or power or (highest is not None and highest.lethal),
        highest=highest,
        reservoirs=_reservoirs(stage, volts, behind if power else ""),
        power_stage=power,
        load=stage.load,
        output=max((abs(v) for v in level.values()), default=0.0),
        behind=behind,
        transformed=power and valves and _isolated(stage),
        zobel=tuple(resistor for resistor, _ in zobel),
        # either edge spends ½C(ΔV)² in the resistor that charges the capacitor, twice a period
        zobel_watts=SQUARE_HZ * max((farads for _, farads in zobel), default=0.0) * swing**2,
        swing=swing,
        valves=valves,
        set_bias=power and bool(stage.adjust),
    )


def drives_loudspeaker(stage: Stage) -> bool:
    """Whether the load of a stage is a loudspeaker."""
    return 0.0 < stage.load <= LOUDSPEAKER_OHMS


def open_volts(rail: Rail) -> float:
    """Direct voltage behind a rail without load, V, with its sign.

    Of a supply the peak of its winding: stated, or that which keeps the reservoir where the load
    pulls it down.
    """
    if rail.supply is None:
        return rail.volts
    return math.copysign(max(abs(rail.volts), winding_peak(rail)), rail.volts)


def winding_peak(rail: Rail) -> float:
    """Peak e.m.f. of the winding of a rail's supply (of each half of it), V.

    Where none is stated, from the conduction of a rectifier that charges a large reservoir
    through the resistance R of winding and mains (Schade 1943, "Analysis of rectifier operation";
    the integral is elementary): with n pulses a cycle and half a pulse θ long,

        I = n·V/(π·R)·(tan θ - θ),   peak = V/cos θ

    Parameters
    ----------
    rail : Rail
        With a supply.
    """
    supply = rail.supply
    assert supply is not None
    if supply.winding:
        return math.sqrt(2.0) * supply.winding * max(supply.mains, 1.0)
    current = drawn.current(supply)
    smoothing = [p.value or 0.0 for p in supply.design if p.name == "filter resistor"]
    direct_volts = (supply.input or abs(rail.volts)) + current * sum(smoothing)
    direct_volts += _DIODE_V * (2 if supply.rectifier == "bridge" else 1)
    ohms = drawn.drawn_part(supply, drawn.TRANSFORMER).value or 0.0
    pulses = 1 if supply.rectifier == "half-wave" else 2
    wanted = math.pi * ohms * current / (pulses * direct_volts)
    low, high = 0.0, math.pi / 2.0
    for _ in range(60):  # tan θ - θ rises from nothing to infinity
        angle = 0.5 * (low + high)
        low, high = (angle, high) if math.tan(angle) - angle < wanted else (low, angle)
    return direct_volts / math.cos(low) * max(supply.mains, 1.0)


def _highest(stage: Stage, volts: Mapping[str, float]) -> Voltage | None:
    """The highest of rails, of two rails together, of windings and of transformers."""
    voltages = [_of_rail(rail, volts[rail.name]) for rail in stage.rails]
    voltages += [w for rail in stage.rails if (w := _winding(rail)) is not None]
    rises = any(rail.supply is None for rail in stage.rails)
    if voltages and min(volts.values()) < 0.0 < max(volts.values()):
        high, low = (pick(volts, key=volts.__getitem__) for pick in (max, min))
        between = f"between {high} and {low}"
        voltages.append(Voltage(volts[high] - volts[low], between, rises=rises))
    voltages += _signals(stage)
    voltages += _secondaries(stage, volts)
    highest = max(voltages, key=lambda v: v.volts, default=None)
    # a network without a rail sits in a unit whose voltages nobody stated
    return highest if stage.rails or (highest is not None and highest.lethal) else None


def _of_rail(rail: Rail, volts: float) -> Voltage:
    if rail.supply is None:
        return Voltage(abs(volts), f"at {rail.name}")
    # without load a zener and its like still hold the rail, never what stands before them
    return Voltage(abs(volts), f"at the reservoir of {rail.name}, without load", rises=False)


def _winding(rail: Rail) -> Voltage | None:
    """Across the whole winding of a supply, V RMS."""
    if rail.supply is None:
        return None
    halves = 2.0 if rail.supply.rectifier == "full-wave" else 1.0
    owner = rail.supply.transformer or rail.supply.name or rail.name
    rms = halves * winding_peak(rail) / math.sqrt(2.0)
    return Voltage(rms, f"across the winding of {owner}", True, False)


def _signals(stage: Stage) -> Iterator[Voltage]:
    """Of the usual drive, V RMS; the input of a supply may be a winding."""
    for name, value in stage.signal:
        if name == "power":
            yield Voltage(math.sqrt(value * stage.load), "at the output, driven", True, False)
        else:
            at = "at the input" if name == "input level" else "at the output, driven"
            yield Voltage(value, at, True, False)


def _secondaries(stage: Stage, volts: Mapping[str, float]) -> Iterator[Voltage]:
    """Across the secondaries of transformers: what their primaries can have at most, over n."""
    fed = max((x for name, x in stage.signal if name == "input level"), default=0.0)
    rail = max((abs(v) for v in volts.values()), default=0.0)
    for part in stage.parts:
        if kind(part.kind).family == "transformer":
            # a valve or transistor swings its primary by the rail at most
            primary = fed if stage.input in part.nodes[:2] else rail / math.sqrt(2.0)
            across = primary / part.parameter("ratio", 1.0)
            yield Voltage(across, f"across the secondary of {part.name}", True, False)


def _reservoirs(stage: Stage, volts: Mapping[str, float], output: str) -> tuple[Charged, ...]:
    """Capacitors between ground and rails, or what rails charge through resistors."""
    level = {GROUND: 0.0}
    for name, v in sorted(volts.items(), key=lambda item: abs(item[1])):
        nodes = _reach(stage, name, _PASSES)
        level |= {node: v for node in nodes if node not in (GROUND, *volts)} | {name: v}
    reservoirs = []
    for part in stage.parts:
        if kind(part.kind).family != "capacitor" or part.value is None:
            continue
        if part.name == output:  # the midpoint of a single supply stands in its middle
            reservoirs.append(Charged(part.name, part.value, max(map(abs, volts.values())) / 2.0))
        elif part.nodes[0] in level and part.nodes[1] in level:
            across = abs(level[part.nodes[0]] - level[part.nodes[1]])
            if GROUND in part.nodes or set(part.nodes) <= set(volts):
                reservoirs.append(Charged(part.name, part.value, across))
    behind: dict[str, Charged] = {}
    for rail in stage.rails:
        for name, part in rail.supply_parts().items():
            if short_name(name) in (drawn.RESERVOIR, "filter capacitor") and part.value:
                behind[name] = Charged(name, part.value, abs(volts[rail.name]))
    telling = [c for c in (*reservoirs, *behind.values()) if c.joules >= TELLING_JOULES]
    return tuple(sorted(telling, key=lambda c: -c.joules))


def _reach(
    stage: Stage, start: str, families: Collection[str] = (), ohms: float = math.inf
) -> set[str]:
    """Nodes that direct current gets to from one, up to ground and rails.

    Parameters
    ----------
    start : str
        The node.
    families : collection of str
        Of parts that are passed; by default all that pass direct current.
    ohms : float
        Resistors up to here are passed.
    """
    walls = {GROUND, *(rail.name for rail in stage.rails)}
    ways: dict[str, list[str]] = {}
    for part in stage.parts:
        family = kind(part.kind).family
        if (families and family not in families) or (
            family == "resistor" and (part.value or 0.0) > ohms
        ):
            continue
        for a, b in _ways(part):
            ways.setdefault(a, []).append(b)
            ways.setdefault(b, []).append(a)
    seen, waiting = {start}, [start]
    while waiting:
        for other in ways.get(waiting.pop(), ()):
            if other not in seen:
                seen.add(other)
                if other not in walls:
                    waiting.append(other)
    return seen


def _ways(part: Part) -> Iterable[tuple[str, str]]:
    """Pairs of nodes that direct current can join, at fault an op-amp's output and its rails."""
    if kind(part.kind).family == "opamp":
        return ((part.nodes[2], rail) for rail in part.nodes[3:])
    return direct(part)


def _isolated(stage: Stage) -> bool:
    """Whether the output hangs on the secondary of a transformer."""
    near = _reach(stage, stage.output, ("inductor", "contact"))
    return any(kind(p.kind).family == "transformer" and near & set(p.nodes[2:]) - {GROUND}
               for p in stage.parts)


def _at_output(stage: Stage, volts: Mapping[str, float]) -> tuple[dict[str, float], str]:
    """Rails that a fault can put on the output, and the capacitor that they are behind."""
    if _isolated(stage):
        return {}, ""
    # through more than that, too little of a rail is left across a loudspeaker
    most = _SERIES * stage.load if drives_loudspeaker(stage) else math.inf
    near = _reach(stage, stage.output, ohms=most)
    rails = near & set(volts)
    if rails:
        return {name: volts[name] for name in sorted(rails)}, ""
    for part in stage.parts:
        if kind(part.kind).family != "capacitor":
            continue
        a, b = part.nodes
        for at, far in ((a, b), (b, a)):
            if at in near and at != GROUND and far not in near and far != GROUND:
                rails = _reach(stage, far, ohms=most) & set(volts)
                if rails:
                    return {name: volts[name] for name in sorted(rails)}, part.name
    return {}, ""


def _zobels(stage: Stage) -> Iterator[tuple[str, float]]:
    """Resistors of Zobel networks, with the capacitance of each."""
    ohms, farads = _ZOBEL
    for part in stage.parts:
        if kind(part.kind).family != "resistor" or not 0.0 < (part.value or 0.0) <= ohms:
            continue
        for middle in part.nodes:
            there = [p for p in stage.parts if middle in p.nodes and p.name != part.name]
            if middle == GROUND or len(there) != 1 or GROUND not in there[0].nodes:
                continue
            size = there[0].value or 0.0
            if kind(there[0].kind).family == "capacitor" and 0.0 < size <= farads:
                yield part.name, size

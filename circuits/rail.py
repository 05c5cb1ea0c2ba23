"""A supply rail as frozen data, and what stands behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from circuits.chain import Lines
from circuits.part import Part


def short_name(full: str) -> str:
    """``reservoir`` of ``vcc reservoir``: the owner is a rail or a name, neither with a space."""
    return full.partition(" ")[2]


@dataclass(frozen=True)
class Supply:
    """What stands behind a rail: transformer, rectifier, reservoir, and what may follow.

    A negative rail has the same parts; it is the mirror image of a positive one.

    Attributes
    ----------
    rectifier : {"half-wave", "full-wave", "bridge"}
        Full-wave is two diodes on a winding with a tap in its middle.
    parts : tuple of Part
        As they are in this unit, with short names such as ``reservoir``; `circuits.supply` says
        which there are.
    design : tuple of Part
        As they were drawn. The winding was chosen for these.
    name : str
        Rails of this name, of one stage or several, have one supply between them. Empty where
        the rail has it to itself.
    transformer : str
        Name of a transformer that further supplies share, such as the other half of a split
        pair; empty where the supply has it to itself.
    winding : float
        E.m.f. of the winding, or of each half of it, V RMS; 0 where it is to be found from the
        voltage that the healthy supply has.
    input : float
        What a healthy regulator is fed with, V; 0 without a regulator.
    mains : float
        The mains voltage over its nominal one.
    """

    rectifier: str
    parts: tuple[Part, ...]
    design: tuple[Part, ...]
    name: str = ""
    transformer: str = ""
    winding: float = 0.0
    input: float = 0.0
    mains: float = 1.0

    def part(self, name: str) -> Part:
        """The part of that short name as it is in this unit; KeyError where there is none."""
        for part in self.parts:
            if part.name == name:
                return part
        raise KeyError(name)


@dataclass(frozen=True)
class Feed:
    """What the healthy unit takes from a rail, and what is told of the supply by that.

    Attributes
    ----------
    volts : float
        Of the rail as drawn, V, positive.
    amps : float
        What the healthy unit takes at rest, A.
    swing : float
        Ripple of the rail at that, V peak to peak.
    most : float
        What it takes at most, driven, A.
    mains : float
        Hz.
    pulses : int
        A cycle, of the rectifier.
    others : float
        What else is known to hang on the rail, such as another channel, over `amps`.
    alike : bool
        Whether this unit is known to take that current at rest without asking.
    """

    volts: float
    amps: float
    swing: float = 0.0
    most: float = 0.0
    mains: float = 0.0
    pulses: int = 0
    others: float = 0.0
    alike: bool = False


@dataclass(frozen=True)
class Rail:
    """A supply rail: the node of the same name is held at `volts` behind `resistance`.

    Attributes
    ----------
    name : str
        The node it feeds.
    volts : float
        Direct voltage, V; with a supply, the one that it was designed for.
    ripple : lines
        Healthy ripple, V RMS a line; with a supply, empty until it has been worked out.
    resistance : float
        Source resistance, ohm.
    supply : Supply or None
        None for an ideal rail.
    impedance : float
        Ohm at audio frequencies, on top of `resistance`, with no drop at rest.
    regulation, others : float
        Resistance of winding and mains, and what else hangs on the rail, over the usual ones
        (`circuits.feed`).
    feed : Feed or None
        None where nothing is known of its load: then it does not follow that.
    unloaded : Rail or None
        Of a rail that has been worked out for a load: itself before.
    gives : float
        Of such a rail: what the stage takes at rest, A.
    limit : float
        A that it gives at most, where a bench supply feeds it; 0 for no limit.
    """

    name: str
    volts: float
    ripple: Lines = ()
    resistance: float = 0.0
    supply: Supply | None = None
    impedance: float = 0.0
    regulation: float = 1.0
    others: float = 1.0
    feed: Feed | None = None
    unloaded: Rail | None = None
    gives: float = 0.0
    limit: float = 0.0

    def supply_parts(self) -> dict[str, Part]:
        """The parts of its supply by full name, such as ``vcc reservoir``; each is so named."""
        if self.supply is None:
            return {}
        owner = self.supply.name or self.name
        parts = {}
        for part in self.supply.parts:
            shared = self.supply.transformer if part.name == "transformer" else ""
            name = f"{shared or owner} {part.name}"
            parts[name] = replace(part, name=name)
        return parts

    def drawn_with(self, name: str, part: Part) -> Rail:
        """The rail with another part in its supply, which was drawn and wound for that.

        Parameters
        ----------
        name : str
            Full name; a rail whose supply has no such part stays as it is.
        """
        if self.supply is None or name not in self.supply_parts():
            return self
        short = replace(part, name=short_name(name))

        def put(into: tuple[Part, ...]) -> tuple[Part, ...]:
            return tuple(short if p.name == short.name else p for p in into)

        s = self.supply
        return replace(self, supply=replace(s, parts=put(s.parts), design=put(s.design)))

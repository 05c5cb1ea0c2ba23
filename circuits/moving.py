"""What moves a circuit in a transient run: the generator, and rails that begin elsewhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from circuits.behind_rails import jumping, rail_source
from circuits.circuit import Circuit, Element
from circuits.stage import GROUND

GENERATOR = "Vgen"


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
_FEW = 2
"""Tones that one expression holds."""


def cosines(crests: Sequence[float], frequencies: Sequence[float]) -> str:
    """The sum of some tones, V peak and Hz, as an expression of time."""
    return "+".join(
        f"{crest!r}*cos({2.0 * math.pi * hertz!r}*time)"
        for crest, hertz in zip(crests, frequencies, strict=True)
    )


def tones(
    crests: Sequence[float], frequencies: Sequence[float],
    start: tuple[tuple[str, float], ...] = (),
) -> Drive:
    """Some tones, V peak and Hz, that start at their crests."""
    if len(frequencies) <= _FEW:
        return Drive(cosines(crests, frequencies), start)
    return Drive("", start, tuple(zip(crests, frequencies, strict=True)))


def moved(net: Circuit, source: str, drive: Drive) -> Circuit:
    """A circuit made with `STILL`, with what moves in a transient run.

    Parameters
    ----------
    source : str
        That drives; it is `GENERATOR` that a stage has.
    """
    begun = {rail_source(rail): begin for rail, begin in drive.start}
    elements: list[Element] = []
    for element in net.elements:
        if element.name == source:
            plus, back = element.nodes
            elements += _moving(element.name, plus, back, drive)
        elif element.name in begun and element.value is not None:
            elements += jumping(element.name, element.nodes, begun[element.name], element.value)
        else:
            elements.append(element)
    return Circuit(tuple(elements), net.models, net.options, net.temperature)


def driving(back: str, drive: Drive) -> list[Element]:
    """The generator in motion, from its node ``gen`` to the one where its signal returns."""
    return _moving(GENERATOR, "gen", back, drive)


def _moving(source: str, plus: str, back: str, drive: Drive) -> list[Element]:
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
        Element("Bdrive", (plus, f"{plus}_b"), None, f"v=time>0?{volts}:0"),
        Element(source, (f"{plus}_b", back), 0.0),
    ]

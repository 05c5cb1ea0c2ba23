"""Stage → the circuit that the simulator solves.

Everything around the parts is put there too: the generator behind its source impedance, each rail
behind a small resistance (`circuits.behind_rails`), the load, idle sources through which the bench
later drives the output node or a stray current, and instruments that lie ready (`circuits.ready`).
Sources idle at an a.c. magnitude of zero.

With a `Drive` (`circuits.moving`) the generator follows an expression of time, and what does not
show in a small signal is built as well: an op-amp's slew rate and its greatest output current.

Names: part ``R1`` becomes the element ``R_r1``; what belongs to the bench has names of its own
(`moving.GENERATOR`, `LOAD`, `PROBE`, `behind_rails.rail_source`, `stray_resistor`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

from circuits.behind_rails import Sounding, behind, moved_by, resting
from circuits.circuit import Circuit, Element
from circuits.elements import LEAST_OHMS, built
from circuits.identity import ByIdentity
from circuits.joints import joined
from circuits.moving import GENERATOR, STILL, Drive, driving
from circuits.ready import Made, Ready, inputs_ready, meters_ready
from circuits.spelling import node
from circuits.stage import GROUND, Part, Stage

SOURCE = "Rgen"
LOAD = "Rload"
PROBE = "Iprobe"
METER = "Vmeter"

STRAY_OHMS = 1e11
"""Beside the highest impedance of an amplifier this is nothing."""
METER_VOLTS = 0.1
"""An ohmmeter's low-power range: too little to turn a junction on."""
METER_OHMS = 1e3
"""Ohm between the ohmmeter's source and its red lead: it drives 0.1 mA at most."""
BLACK_LEAD = 1e-9
"""S from an ohmmeter's black lead to ground: what it is put across may float."""
_OPEN_LOAD = 1e9
"""Ohm at the output of a stage that states no load."""


_KEPT = 2_000
"""Whole units whose elements are kept (judgement)."""


def source_ohms(stage: Stage) -> float:
    """Of `SOURCE`, the generator's impedance, ohm."""
    return max(stage.source_impedance, LEAST_OHMS)


def stray_resistor(at: str) -> str:
    """The resistor from a node to ground beside which stray mains current flows into it."""
    return f"Rstray_{node(at)}"


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
    voltmeters, of_meters = meters_ready(tuple(meters))
    inputs, of_inputs = inputs_ready(tuple(probes))
    elements += voltmeters
    elements += inputs
    for pair in pairs:
        elements += moved_by(stage, pair)
    parts, models = _built(stage.parts, drive is not None)
    elements += parts
    return Circuit(tuple(elements), (*models, *of_meters, *of_inputs))


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
        elements += driving(node(stage.input_return), drive)
    elements += _ports(
        (f"gen{of}", node(stage.input)), source_ohms(stage),
        (node(stage.output), node(stage.load_return)), load or stage.load or _OPEN_LOAD, of,
    )
    begun = dict(drive.start) if drive is not None else {}
    for rail in stage.rails:
        if rail.name in given or rail.name in begun:
            elements += behind(rail, begun.get(rail.name), given.get(rail.name))
        else:
            elements += resting(rail)
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


def unpowered(stage: Stage) -> Circuit:
    """The stage with power off, generator and load disconnected, for an ohmmeter."""
    parts, models = built(stage.parts, powered=False)
    # a circuit that floats as a whole needs a place of zero volts
    earth = Element("Rearth", (node(stage.output), GROUND), 1e12)
    return Circuit((earth, *joined(stage.chain), *parts), tuple(models))


def with_ohmmeter(net: Circuit, pair: tuple[str, str], volts: float, ohms: float) -> Circuit:
    """A circuit with an ohmmeter between two of its nodes; `METER` tells what flows.

    Parameters
    ----------
    volts, ohms : float
        Of the meter's source and in series with it.
    """
    red, black = pair
    leads = [Element(METER, ("meter", black), volts), Element("Rmeter", ("meter", red), ohms)]
    if black != GROUND:
        leads.append(Element("Rblack", (black, GROUND), 1.0 / BLACK_LEAD))
    return Circuit((*leads, *net.elements), net.models)

"""Instruments that lie ready at a circuit, off: voltmeters, and inputs of an analyser.

The bench switches them on one at a time; who does so is told their names here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from circuits.circuit import Element, Model
from circuits.identity import ByIdentity
from circuits.spelling import node
from circuits.stage import GROUND

METER_OFF = 1e15
"""Ohm of a voltmeter that is not used: less of a leak than any that a circuit is solved with."""
PROBE_OFF = 1e-24
"""Farad of both capacitors of an a.c. input that is not used."""
COUPLING = 1.0
"""Farad by which an a.c. input that is on is coupled: of 1 Mohm, a microhertz."""
HEARD = "heard"
"""The group of inputs that noise and hum are read by."""
_SETUPS = 256
"""Setups whose elements are kept (judgement)."""

Made = tuple[tuple[Element, ...], tuple[Model, ...]]
"""Elements, and the models that they name."""


def voltmeter(number: int) -> str:
    """The resistor that stands for one of the voltmeters."""
    return f"Rvoltmeter_{number}"


def voltmeters(ohms: float) -> str:
    """The model of the resistors that stand for all voltmeters of so many ohms."""
    return "voltmeters_" + _tag(ohms)


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


def _tag(value: float) -> str:
    return re.sub(r"\W", "_", repr(value))


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


meters_ready = ByIdentity(_voltmeters, _SETUPS)
inputs_ready = ByIdentity(_inputs, _SETUPS)
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

"""How the members of a unit are wired to each other, as elements of a netlist.

A joint has a small resistance, at which the stray mains of the member that it feeds comes in. Where
the earth of the cable arrives at a node of its own, the joint is an ideal transformer that passes
direct voltages as well: what the earth joint drops is in series with the signal, and the signal's
current comes back through it, as with a generator connected there.
"""

from __future__ import annotations

from circuits.chain import Chain, Joint
from circuits.circuit import Element
from circuits.spelling import node
from circuits.stage import GROUND

JOINT_OHMS = 1e-3
"""Ohm of a joint between two members of a unit, nothing beside any stage's impedance."""


def joint_resistor(joint: Joint) -> str:
    """The resistor in series with a joint, of `JOINT_OHMS`."""
    return f"Rjoint_{node(joint.member)}"


def joined(chain: Chain | None) -> list[Element]:
    """The elements between the members of a unit; none for a stage."""
    return [] if chain is None else [e for joint in chain.joints for e in _joint(joint)]


def _joint(joint: Joint) -> list[Element]:
    resistor, output, fed = joint_resistor(joint), node(joint.output), node(joint.input)
    if joint.back == GROUND:
        return [Element(resistor, (fed, output), JOINT_OHMS)]
    name = node(joint.member)
    inner, sense = f"{name}_joint_src", f"{name}_sense_src"
    meter = f"Vjoint_{name}"
    return [
        Element(f"Ejoint_{name}", (inner, node(joint.back), output, GROUND), 1.0),
        Element(meter, (inner, sense), 0.0),
        Element(resistor, (sense, fed), JOINT_OHMS),
        # the current that goes on is taken from the output before
        Element(f"Fjoint_{name}", (output, GROUND), 1.0, meter),
    ]

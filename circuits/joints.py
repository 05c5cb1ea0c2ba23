"""How the members of a unit are wired to each other, as elements of a netlist.

A joint is an idle source, through which the bench drives the stray mains of the member that it
feeds. Where the earth of the cable arrives at a node of its own, the joint is an ideal transformer
that passes direct voltages as well: what the earth joint drops is in series with the signal, and
the signal's current comes back through it, as with a generator connected there.
"""

from __future__ import annotations

from circuits.bench.analysis import Element
from circuits.chain import Chain, Joint
from circuits.spelling import node
from circuits.stage import GROUND


def joint_source(joint: Joint) -> str:
    """The voltage source in a joint."""
    return f"Vjoint_{node(joint.member)}"


def joined(chain: Chain | None) -> list[Element]:
    """The elements between the members of a unit; none for a stage."""
    return [] if chain is None else [e for joint in chain.joints for e in _joint(joint)]


def _joint(joint: Joint) -> list[Element]:
    source, output, fed = joint_source(joint), node(joint.output), node(joint.input)
    if joint.back == GROUND:
        return [Element(source, (fed, output), 0.0)]
    name = node(joint.member)
    inner = f"{name}_joint_src"
    return [
        Element(f"Ejoint_{name}", (inner, node(joint.back), output, GROUND), 1.0),
        Element(source, (fed, inner), 0.0),
        # the current that leaves through the source, as it counts from its first node, is taken
        # from the output before
        Element(f"Fjoint_{name}", (output, GROUND), -1.0, source),
    ]

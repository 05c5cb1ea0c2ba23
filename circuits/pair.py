"""Two channels of a unit side by side, as one circuit.

One listens: its input is terminated in its source impedance. The other is driven. What they share
appears once, so that all which passes from one to the other passes through that: a rail with what
lies behind it, an earth joint, a decoupling. Everything else of the driven channel is a copy with
names of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache

from circuits.behind_rails import Sounding
from circuits.chain import Chain
from circuits.circuit import Circuit, Element, Model
from circuits.elements import built
from circuits.moving import GENERATOR
from circuits.netlist import around
from circuits.spelling import node
from circuits.stage import GROUND, Part, Stage

_OTHER = "_other_src"
"""What names of the driven channel end in; no stage file may use it for a node."""

DRIVEN = GENERATOR + _OTHER
"""The generator that drives."""


def outputs(stage: Stage) -> tuple[str, str]:
    """Nodes of the pair's circuit: outputs of the listening and of the driven channel."""
    return node(stage.output), node(f"{stage.output}{_OTHER}")


def circuit(listening: Stage, driven: Stage, at: Mapping[str, Sounding]) -> Circuit:
    """Both channels with power on.

    Parameters
    ----------
    listening, driven : Stage
        Variants of one stage, alike in what they share (`Stage.shared`, of the first).
    at : mapping of rail name to Sounding
        Impedances of shared rails, at the frequency that will be read.
    """
    other, parts, models = _built(listening, driven)
    return Circuit((*around(listening, at=at), *around(other, of=_OTHER), *parts), models)


@lru_cache(maxsize=2)
def _built(
    listening: Stage, driven: Stage
) -> tuple[Stage, tuple[Element, ...], tuple[Model, ...]]:
    """The driven channel's copy and the parts of both: the same at every frequency."""
    common = [part for part in listening.parts if _of_one(part, listening.shared)]
    nodes = {end for part in common for end in part.nodes}
    other = _copy(driven, frozenset(listening.shared), frozenset(nodes))
    parts, models = built((*listening.parts, *other.parts))
    return other, tuple(parts), tuple(models)


def _of_one(part: Part, shared: tuple[str, ...] | frozenset[str]) -> bool:
    """Whether both channels have a part, or the resistance ``J2.a`` of a fault in one."""
    return part.name in shared or part.name.rpartition(".")[0] in shared


def _copy(stage: Stage, shared: frozenset[str], common: frozenset[str]) -> Stage:
    """What a channel has for itself, with names of its own.

    Parameters
    ----------
    shared : frozenset of str
        Rails and parts to be left out.
    common : frozenset of str
        Nodes of those parts, which keep their names as shared rails do.
    """
    kept = {GROUND, *common, *(rail.name for rail in stage.rails if rail.name in shared)}

    def at(name: str) -> str:
        return name if name in kept else f"{name}{_OTHER}"

    return replace(
        stage,
        parts=tuple(
            replace(part, name=f"{part.name}{_OTHER}", nodes=tuple(map(at, part.nodes)))
            for part in stage.parts
            if not _of_one(part, shared)
        ),
        rails=tuple(
            replace(rail, name=at(rail.name)) for rail in stage.rails if rail.name not in shared
        ),
        input=at(stage.input),
        output=at(stage.output),
        input_return=at(stage.input_return),
        load_return=at(stage.load_return),
        charged=tuple(at(where) for where in stage.charged if where not in kept),
        # a node that both have needs its way in for stray mains once
        stray=tuple((at(where), lines) for where, lines in stage.stray if where not in kept),
        chain=None if stage.chain is None else _joints(stage.chain, at),
    )


def _joints(chain: Chain, at: Callable[[str], str]) -> Chain:
    return replace(
        chain,
        joints=tuple(
            replace(
                joint, member=f"{joint.member}{_OTHER}", output=at(joint.output),
                input=at(joint.input), back=at(joint.back),
            )
            for joint in chain.joints
        ),
    )

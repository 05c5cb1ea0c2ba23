"""Returns to ground that carry signal or feedback, and what a poor joint in one of them lets in.

An amplifier takes for zero what its input, its feedback foot and the decoupling of its first stages
stand on. Where such a return meets the chassis by a joint that the rectifier's charging current
shares, what that current drops across the joint is in series with the signal (common practice; no
stage file spells a connector for each). Where the loudspeaker's current comes back by it, that is
feedback: to the foot it is negative, and takes gain and damping, to the input positive. Which
returns there are is told by the circuit alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from circuits.kinds import DEFECT, kind
from circuits.stage import GROUND, Part, Stage

EARTH = "earth"
"""Kind under which a return fails."""
_OF = "earth of "
"""What its name has before the name of a part; of a unit ``tone.earth of C3``."""
_PASSES = ("resistor", "capacitor", "inductor", "contact", "potentiometer")
"""Families through which a signal gets without being amplified."""
_CONTROL = {"bipolar": 1, "jfet": 1, "mosfet": 1, "triode": 1, "pentode": 2, "opamp": 0}
"""Which pin of an amplifying part takes the signal."""
_FOOT = {"bipolar": 2, "jfet": 2, "mosfet": 2, "triode": 2, "pentode": 3, "opamp": 1}
"""Which pin takes the feedback."""
_LOUDSPEAKER = 100.0
"""Ohm of a load at most that takes a current worth the name: loudspeakers, and headphones nearly
(judgement)."""
_SMOOTHS = 10e-9
"""F of a capacitor that decouples, at least: what is smaller keeps radio out, or is two wires side
by side (judgement)."""
_FAR = 3
"""Parts between a first stage and the decoupling that feeds it, at most."""
_MOST_FEEDS = 2
"""Decouplings of a first stage, at most: of two rails each its own."""


@dataclass(frozen=True)
class Return:
    """Parts that stand on ground by one joint.

    Attributes
    ----------
    name : str
        ``earth of C3``.
    parts : tuple of str
        What stands on the joint.
    role : str
        As a repairer would say it.
    port : bool
        Whether the earth of generator and cable arrives there as well.
    """

    name: str
    parts: tuple[str, ...]
    role: str
    port: bool = False

    @property
    def joint(self) -> str:
        """Name of the joint's resistance and of the node above it."""
        return joint_of(self.parts[0])


def joint_of(part: str) -> str:
    """The joint that a part stands on."""
    return f"{part}.earth"


def standing(name: str) -> str:
    """The part that a return is named after, ``tone.C3``; empty for the name of none."""
    head, found, part = name.partition(_OF)
    return f"{head}{part}" if found and (not head or head.endswith(".")) else ""


def returns(stage: Stage) -> tuple[Return, ...]:
    """The returns of a stage that carry signal or feedback; one where several parts share it.

    Of every stage of a unit: the return of its input, the foot of its feedback (the last part of a
    way of at most two parts from where the first amplifying part takes the feedback), and the
    decoupling of what feeds that part.
    """
    made: dict[tuple[str, ...], Return] = {}
    for entrance, back in _entrances(stage):
        for found in _of_entrance(stage, entrance, back):
            made.setdefault(found.parts, found)
    taken: set[str] = set()
    kept = []
    for one in made.values():
        if not taken.intersection(one.parts):
            kept.append(one)
        taken.update(one.parts)
    return tuple(kept)


def all_roles(stage: Stage) -> dict[str, str]:
    """What each part does, and each return, by its name."""
    return stage.roles | {found.name: found.role for found in returns(stage)}


def bears_current(stage: Stage) -> bool:
    """Whether the load's current is large enough to drop anything across a joint."""
    return 0.0 < stage.load <= _LOUDSPEAKER


def lifted(stage: Stage, found: Return, ohms: float, of_load: bool = False) -> Stage:
    """The stage with a return on a joint of so many ohms that another current shares.

    Parameters
    ----------
    found : Return
        Of the stage without faults.
    of_load : bool
        Whether it is that of the load; else the rectifier's charging current.
    """
    def moved(part: Part) -> Part:
        if part.name not in found.parts:
            return part
        nodes = tuple(found.joint if node == GROUND else node for node in part.nodes)
        return replace(part, nodes=nodes)

    role = f"joint that {' and '.join(found.parts)} stand{'s' * (len(found.parts) == 1)} on"
    joint = Part(found.joint, DEFECT.name, (found.joint, GROUND), ohms, role=role)
    return replace(
        stage,
        parts=(*(moved(part) for part in stage.parts), joint),
        input_return=found.joint if found.port else stage.input_return,
        charged=stage.charged if of_load else (*stage.charged, found.joint),
        load_return=found.joint if of_load else stage.load_return,
    )


def _entrances(stage: Stage) -> list[tuple[str, str]]:
    """Where a signal comes in, and where the earth that comes with it arrives."""
    joints = () if stage.chain is None else stage.chain.joints
    return [(stage.input, stage.input_return), *((j.input, j.back) for j in joints)]


def _of_entrance(stage: Stage, entrance: str, back: str) -> Iterator[Return]:
    way, first = _first(stage, entrance)
    if back != GROUND:
        yield from _made(_grounded(stage, (back,)), "earth return of the input")
    else:
        # of a stage within a unit the cable's earth is the unit's own
        yield from _made(_grounded(stage, way), "earth return of the input",
                         entrance == stage.input)
    if not first:
        return
    for parts in _feet(stage, first):
        yield from _made(parts, "earth return of the feedback foot")
    for node in _feeding(stage, first):
        yield from _made(_grounded(stage, (node,)), "earth return of the first stage's decoupling")


def _made(parts: Sequence[Part], role: str, port: bool = False) -> Iterator[Return]:
    if parts:
        names = tuple(part.name for part in parts)
        head, dot, last = names[0].rpartition(".")
        yield Return(f"{head}{dot}{_OF}{last}", names, role, port)


def _first(stage: Stage, entrance: str) -> tuple[tuple[str, ...], tuple[Part, ...]]:
    """The shortest way from an entrance to the first amplifying parts: its nodes, and these."""
    ways: list[tuple[str, ...]] = [(entrance,)]
    seen = {entrance}
    while ways:
        for way in ways:
            found = tuple(p for p in stage.parts if _control(p) == way[-1])
            if found:
                return way, found
        further = []
        for way in ways:
            for _, node in _next(stage, way[-1]):
                if node not in seen:
                    seen.add(node)
                    further.append((*way, node))
        ways = further
    return (entrance,), ()


def _feet(stage: Stage, first: Sequence[Part]) -> Iterator[tuple[Part, ...]]:
    """Parts on ground at the foot of the feedback; none of a follower, which has no foot."""
    for device in first:
        own = device.nodes[_FOOT[kind(device.kind).family]]
        pair = _partner(stage, device, own)
        if not pair and _follows(stage, device):
            continue
        for node in (pair,) if pair else (own,):
            beyond = [n for _, n in _next(stage, node) if not _active(stage, n)]
            foot = _at_audio(_grounded(stage, beyond)) or _grounded(stage, (node,))
            if foot:
                yield foot


def _partner(stage: Stage, device: Part, own: str) -> str:
    """Where the other part of a pair takes the feedback; empty where the device stands alone."""
    family = kind(device.kind).family
    if family == "opamp":
        return ""
    near = {own, *(n for _, n in _next(stage, own))}
    near |= {n for node in tuple(near) for _, n in _next(stage, node)}
    for other in stage.parts:
        alike = other.name != device.name and other.kind == device.kind
        if alike and other.nodes[_FOOT[family]] in near and _control(other) != _control(device):
            return _control(other)
    return ""


def _follows(stage: Stage, device: Part) -> bool:
    """Whether the output of a device is where it takes the feedback."""
    if kind(device.kind).family == "opamp":
        return device.nodes[1] == device.nodes[2]
    end = device.nodes[0]
    return end in (GROUND, *_rails(stage)) or _decoupled(stage, end)


def _feeding(stage: Stage, first: Sequence[Part]) -> tuple[str, ...]:
    """The decoupled nodes nearest to the first amplifying parts."""
    near = [n for device in first for n in device.nodes]
    seen = {*near, GROUND, *_rails(stage)}
    for _ in range(_FAR):
        found = [n for n in dict.fromkeys(near) if _decoupled(stage, n)]
        if found:
            return tuple(found[:_MOST_FEEDS])
        near = [n for node in dict.fromkeys(near) for _, n in _next(stage, node) if n not in seen]
        seen.update(near)
    return ()


def _decoupled(stage: Stage, node: str) -> bool:
    """Whether a node is fed through a resistor or choke from a rail, and smoothed."""
    if node in (GROUND, *_rails(stage)):
        return False
    held = any(kind(p.kind).family == "capacitor" for p in _at_audio(_grounded(stage, (node,))))
    fed = any(
        node in p.nodes and set(p.nodes) & set(_rails(stage))
        and kind(p.kind).family in ("resistor", "inductor")
        for p in stage.parts
    )
    return held and fed


def _grounded(stage: Stage, nodes: Sequence[str]) -> tuple[Part, ...]:
    """Passive parts of two pins from some nodes to ground."""
    return tuple(
        part for part in stage.parts
        if len(part.nodes) == 2 and GROUND in part.nodes and _passes(part)
        and any(node in nodes for node in part.nodes)
    )


def _at_audio(parts: Sequence[Part]) -> tuple[Part, ...]:
    """The parts that lead anything worth the name at audio frequencies."""
    return tuple(part for part in parts if kind(part.kind).family != "capacitor"
                 or (part.value or 0.0) >= _SMOOTHS)


def _next(stage: Stage, node: str) -> Iterator[tuple[Part, str]]:
    """Nodes one passive part away that do not stand still."""
    still = (GROUND, *_rails(stage))
    if node in still:
        return
    for part in stage.parts:
        if node in part.nodes and _passes(part):
            for other in part.nodes:
                if other != node and other not in still:
                    yield part, other


def _passes(part: Part) -> bool:
    return kind(part.kind).family in _PASSES


def _control(part: Part) -> str:
    index = _CONTROL.get(kind(part.kind).family)
    return "" if index is None else part.nodes[index]


def _active(stage: Stage, node: str) -> bool:
    return any(node in p.nodes and kind(p.kind).family in _CONTROL for p in stage.parts)


def _rails(stage: Stage) -> tuple[str, ...]:
    return tuple(rail.name for rail in stage.rails)

"""Stage × state → the stage as it stood on the bench: pure, the stage given is left as it was.

It is asked of a faulty stage too: what an injected fault has added to a part (resistances of the
kind ``defect`` named ``C6.positive`` in series with a pin or ``C6.positive-negative`` across two)
goes with the part's pin that is lifted, and out of the circuit with the part.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from circuits.kinds import DEFECT
from circuits.stage import GROUND, Lines, Part, Rail, Stage
from circuits.state import OPEN, State
from circuits.state_words import pins

_WIRE_OHMS = 0.01
"""Of a test lead with clips (judgement)."""
_AIR_OHMS = 1e12
"""From a pin in the air to ground: a surface that is not quite clean (judgement). Without any, a
node that nothing holds has no voltage at all."""
_NOTHING_OHMS = 1e9
"""Of a generator that is not connected."""
_LIFTED, _AIR, _BYPASS, _WIRE = "lifted", "air", "bypass", "wire"
"""Ends of names of what a state adds; no part's own name has a dot before them."""


def in_state(stage: Stage, state: State, drawn: Stage | None = None) -> Stage:
    """The stage in a state.

    Parameters
    ----------
    stage : Stage
        Whole or with faults.
    state : State
        Its parts, pins and nodes are those of the stage as drawn.
    drawn : Stage, optional
        The stage as drawn, whose voltages a bench supply is set to; by default the stage itself.
    """
    if state.load:
        stage = replace(stage, load=0.0 if state.load == OPEN else state.load)
    if state.input:
        ohms = 0.0 if state.input == "shorted" else _NOTHING_OHMS
        stage = replace(stage, source_impedance=ohms)
    if state.limited:
        set_to = (drawn or stage).rails
        stage = replace(stage, rails=tuple(_on_the_bench(r, state.limited) for r in set_to))
    if state.mains:
        stage = _on_a_variac(stage, state.mains)
    if state.lamp:
        stage = replace(stage, lamp=state.lamp)
    return _altered(stage, state) if state.altered else stage


def _on_a_variac(stage: Stage, share: float) -> Stage:
    """Everything that comes from the mains in proportion, before loads and regulators."""
    def less(lines: Lines) -> Lines:
        return tuple((frequency, level * share) for frequency, level in lines)

    for name in stage.pickups:
        stage = stage.with_pickup(name, less)
    rails = []
    for rail in stage.rails:
        if rail.supply is None:
            rails.append(replace(rail, volts=rail.volts * share, ripple=less(rail.ripple)))
        else:
            supply = replace(rail.supply, mains=rail.supply.mains * share)
            rails.append(replace(rail, supply=supply))
    return replace(stage, rails=tuple(rails))


@lru_cache(maxsize=8)
def _touched(state: State) -> frozenset[str]:
    return frozenset([*state.pulled, *(part for part, _ in (*state.lifted, *state.bypassed))])


def _altered(stage: Stage, state: State) -> Stage:
    outer = {name: _outer(stage, name) for name in _touched(state)}
    parts = list(stage.parts)
    for name, pin in state.lifted:
        parts = _lift(parts, name, pin, outer[name])
    for name in state.pulled:
        parts = [part for part in parts if part.name != name and not _defect_of(part, name)]
        # with the part a node may have lost all that held it
        parts += [_ohms(f"{name}.{pin}.{_AIR}", (node, GROUND), _AIR_OHMS)
                  for pin, node in outer[name].items() if node != GROUND]
    for name, farad in state.bypassed:
        ends = tuple(outer[name].values())
        parts.append(Part(f"{name}.{_BYPASS}", "film", ends, farad, role=f"put across {name}"))
    for k, ends in enumerate(state.bridged):
        parts.append(_ohms(f"{_WIRE}.{k}", ends, _WIRE_OHMS))
    rails = tuple(
        # it may draw another current than the healthy one, whatever its parts
        rail if rail.feed is None else replace(rail, feed=replace(rail.feed, alike=False))
        for rail in stage.rails
    )
    return replace(stage, parts=tuple(parts), rails=rails)


def _on_the_bench(rail: Rail, amps: float) -> Rail:
    """A rail that a bench supply with a current limit feeds in place of the unit's own."""
    return replace(rail, supply=None, feed=None, ripple=(), resistance=0.0, impedance=0.0,
                   limit=amps)


def _lift(parts: list[Part], name: str, pin: str, outer: dict[str, str]) -> list[Part]:
    """The pin on a node of its own; what a fault has put in series with it goes along."""
    air = f"{name}.{_tag(pin)}.{_LIFTED}"
    node = outer[pin]
    made = []
    for part in parts:
        if part.name == f"{name}.{_tag(pin)}" and part.kind == DEFECT.name:
            part = replace(part, nodes=(air, *part.nodes[1:]))
        elif part.name == name:
            part = replace(part, nodes=_off(part.nodes, tuple(outer), pin, node, air))
        elif _defect_of(part, name):
            part = replace(part, nodes=_off(part.nodes, _across(part, name, outer), pin, node, air))
        made.append(part)
    return [
        *made,
        _ohms(f"{air}.{_AIR}", (air, GROUND), _AIR_OHMS),
        *([_ohms(f"{name}.{_tag(pin)}.{_AIR}", (node, GROUND), _AIR_OHMS)]
          if node != GROUND else []),
    ]


def _off(
    nodes: tuple[str, ...], words: tuple[str, ...], pin: str, node: str, air: str
) -> tuple[str, ...]:
    """The nodes of a part with the one of a pin moved, where that is at its outer node."""
    return tuple(air if word == pin and here == node else here
                 for word, here in zip(words, nodes, strict=True))


def _across(part: Part, name: str, outer: dict[str, str]) -> tuple[str, ...]:
    """Which pins a defect lies across; those of a defect in series are none to be moved."""
    tag = part.name.removeprefix(f"{name}.")
    for one in outer:
        for other in outer:
            if tag == f"{_tag(one)}-{_tag(other)}":
                return one, other
    return "", ""


def _outer(stage: Stage, name: str) -> dict[str, str]:
    """By pin: the node that a part is soldered to, whatever a fault has put in series."""
    part = stage.part(name)
    made = dict(zip(pins(part), part.nodes, strict=True))
    for defect in stage.parts:
        for pin in made:
            if defect.kind == DEFECT.name and defect.name == f"{name}.{_tag(pin)}":
                made[pin] = defect.nodes[0]
    return made


def _defect_of(part: Part, name: str) -> bool:
    return part.kind == DEFECT.name and part.name.rpartition(".")[0] == name


def _tag(pin: str) -> str:
    return pin.replace(" ", "-")


def _ohms(name: str, nodes: tuple[str, ...], value: float) -> Part:
    return Part(name, DEFECT.name, nodes, value)

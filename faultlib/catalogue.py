"""What can go wrong in a stage, and how likely each thing is before anything is measured.

The prior weight of a mode is the failure rate of the part's kind (or device) times the mode's
share, both with their factors for age; see ``modes/README.md`` for the numbers' sources.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path

import numpy as np

from circuits import yamlfile
from circuits.chain import PICKUP as PICKUP
from circuits.earths import EARTH, bears_current, returns
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.quantity import render
from circuits.stage import Part, Rail, Stage, Supply, short_name
from circuits.supply import DIODE, DIODES
from faultlib.fault import Fault
from faultlib.learnt import NOTHING_LEARNT, Learnt, factors
from faultlib.mode import FORTY, LOAD_JOINT, NOISES, Change, KindModes, Mode
from faultlib.modefile import Words, build, load_words, read_kinds
from faultlib.stress import stress_factor
from faultlib.worst_ripple import met_on

FOLDER = Path(__file__).with_name("modes")
"""The mode files that ship."""



@dataclass(frozen=True)
class Hypothesis:
    """One thing that may be wrong.

    Attributes
    ----------
    part, kind : str
        Name of a part, of a part of a supply (``vcc reservoir``), a rail, ``pickup`` (of a unit
        ``tone.pickup``) or a return (``earth of C3``), and its kind.
    prior : float
        Weight, failures per 10⁶ h with age; not normalised.
    """

    part: str
    kind: str
    mode: Mode
    prior: float

    def fault(self, size: float = 1.0) -> Fault:
        """The fault of that size."""
        return Fault(self.part, self.mode.name, size)

    def drawn(self, share: float) -> Fault:
        """A fault as one is met, of an even draw from 0 to 1; see `Mode.drawn`."""
        return self.fault(float(self.mode.size(self.mode.drawn(np.array([share])))[0]))

    def label(self) -> str:
        """As a person would call it: ``C4 capacitance loss``."""
        return f"{self.part} {self.mode.name}"


@dataclass(frozen=True)
class SizeValue:
    """A fault's size as shown to the user: an SI value with its unit (empty for a factor)."""

    quantity: str
    value: float
    unit: str


@cache
def words() -> Words:
    """The vocabulary of the mode files."""
    return load_words(FOLDER)


@cache
def _raw() -> Mapping[str, yamlfile.Mapping]:
    return read_kinds(FOLDER)


@cache
def kind_modes(name: str) -> KindModes:
    """How a kind of part fails; read once, and only the kinds that are asked for.

    Raises
    ------
    InputError
        For a kind that no mode file names, and with the place for what its entry has wrong.
    """
    if name not in _raw():
        raise InputError(
            f"no mode file says how a {name} fails", choices=_raw(), given=name
        )
    return build(name, _raw(), words())


def kind_of(stage: Stage, name: str) -> str:
    """The kind of a part of the stage or of a supply, ``rail``, ``pickup`` or ``earth``.

    Raises
    ------
    InputError
        For a name that the stage has not, with the nearest ones, and for a rail that has a supply
        behind it: that is what fails.
    """
    for part in (*stage.parts, *stage.supply_parts):
        if part.name == name:
            return part.kind
    rails = [rail.name for rail in stage.rails if rail.supply is None]
    if name in rails:
        return "rail"
    for rail in stage.rails:
        if rail.name == name:
            raise InputError(
                f"the rail {name} has a supply behind it, whose parts fail",
                expected="a part of that supply",
                choices=rail.supply_parts(),
                given=name,
            )
    stray = stage.pickups if stage.chain is not None else (PICKUP,)
    if name in stray:
        return PICKUP
    if any(name == one.name for one in returns(stage)):
        return EARTH
    raise InputError(
        f"stage {stage.name} has no part or rail {name!r}",
        expected="one of its parts or rails",
        choices=[*(p.name for p in (*stage.parts, *stage.supply_parts)), *rails, *stray,
                 *(one.name for one in returns(stage))],
        given=name,
    )


def hypotheses(
    stage: Stage, age: float = FORTY, learnt: Learnt = NOTHING_LEARNT
) -> tuple[Hypothesis, ...]:
    """Every (part, mode) of the stage, its rails or supplies, pick-up and returns, in that order.

    Parameters
    ----------
    age : float
        Of the unit, years.
    learnt : Learnt
        What a log of repairs says of how parts fail.

    Notes
    -----
    A rail with a supply behind it fails by the parts of that, and not as an ideal one. The diodes
    of a rectifier are alike to what is measured, so one of them stands for all, with their weight.

    A mode that cannot show is left out: one that bridges two pins on the same node, or scales
    ripple or pick-up where there is none. Two modes of a part that make the same circuit, such as
    either end of a variable resistor open, are one hypothesis with both weights.
    """
    everything: list[Hypothesis] = []
    for part in stage.parts:
        everything += _of_part(part, stage, age, learnt)
    known: set[str] = set()
    for rail in stage.rails:
        if rail.supply is None:
            shown = [met_on(rail, stage.mains, mode) for mode in _modes("rail")
                     if _shows_on_rail(mode, rail)]
            everything += _all("rail", rail.name, shown, age, learnt)
            continue
        for name, part in rail.supply_parts().items():
            if name not in known:
                everything += _of_supply(part, rail.supply, stage, age, learnt)
        known.update(rail.supply_parts())
    for name in stage.pickups:
        everything += _all(PICKUP, name, _modes(PICKUP), age, learnt)
    for one in returns(stage) if any(rail.volts for rail in stage.rails) else ():
        shown = [m for m in _modes(EARTH) if _shows_on_return(m, stage)]
        everything += _all(EARTH, one.name, shown, age, learnt)
    return tuple(everything)


def mode_for(stage: Stage, part: str, mode: str) -> Mode:
    """The mode of that name of a part of the stage.

    Raises
    ------
    InputError
        For a part that the stage has not or a mode that its kind has not, with the nearest ones.
    """
    of_kind = kind_of(stage, part)
    available = _modes(of_kind)
    for candidate in available:
        if candidate.name == mode:
            on_rail = of_kind == "rail"
            return met_on(stage.rail(part), stage.mains, candidate) if on_rail else candidate
    raise InputError(
        f"{part} is of kind {of_kind}, which has no mode {mode!r}",
        expected=f"a failure mode of {of_kind}",
        choices=[m.name for m in available],
        given=mode,
    )


def size_value(stage: Stage, fault: Fault) -> SizeValue | None:
    """A fault's size in the quantity that a meter would show, None for a mode without degrees.

    Raises
    ------
    InputError
        As `mode_for`.
    """
    size = mode_for(stage, fault.part, fault.mode).range
    if size is None:
        return None
    value = fault.size
    if size.times:
        value *= healthy(stage, fault.part, size.times, size.default or 0.0)
    elif size.plus:
        value += healthy(stage, fault.part, size.plus, size.default or 0.0)
    return SizeValue(size.quantity, value, size.unit)


def size_from(stage: Stage, part: str, mode: str, value: float) -> float:
    """The size of a fault from the quantity that a meter would show, the inverse of `size_value`.

    Raises
    ------
    InputError
        As `mode_for`, or for a quantity beyond the slightest and the worst that are met.
    """
    size = mode_for(stage, part, mode).range
    assert size is not None
    found = value
    if size.times:
        whole = healthy(stage, part, size.times, size.default or 0.0)
        found = value / whole if whole else value
    elif size.plus:
        found = value - healthy(stage, part, size.plus, size.default or 0.0)
    low, high = sorted((size.mild, size.worst))
    slack = 1e-9 * max(abs(low), abs(high))
    if not low - slack <= found <= high + slack:
        ends = [size_value(stage, Fault(part, mode, end)) for end in (size.mild, size.worst)]
        raise InputError(
            f"{part} {mode} is not met with a {size.quantity} of {render(value, size.unit)}",
            expected=" to ".join(render(end.value, end.unit) for end in ends if end is not None))
    return found


def healthy(stage: Stage, name: str, what: str, default: float) -> float:
    """A property of a good part or rail in SI; the ripple of a rail is the RMS of its lines."""
    of_kind = kind_of(stage, name)
    if of_kind == "rail":
        rail = stage.rail(name)
        return rail.volts if what == "volts" else math.hypot(*(v for _, v in rail.ripple))
    return property_of(stage.part(name), what, default)


def property_of(part: Part, what: str, default: float = 0.0) -> float:
    """``value``, ``esr``, ``position`` or a device parameter of a part, SI.

    Raises
    ------
    InputError
        For the value of a part that has none.
    """
    if what == "esr":
        return part.esr
    if what == "position":
        return part.position
    if what == "value":
        if part.value is None:
            raise InputError(f"{part.name} has no value")
        return part.value
    return part.parameter(what, default)


def miss(mode: Mode, found: str, how: str = "") -> float:
    """The chance that a fault is there although a part check says it is not.

    Parameters
    ----------
    found : {"good", "replaced", "cleaned", "adjusted"}
        As on the bench sheet.
    how : str
        The sheet's words on how a part was found good. Of several checks the best one counts:
        what one meter overlooks another often overlooks too, so the chances do not multiply.

    Raises
    ------
    InputError
        For another outcome.
    """
    if found in ("replaced", "cleaned", "adjusted"):
        return mode.miss(found)
    if found != "good":
        raise InputError(
            f"{found!r} does not speak for the part",
            expected="a result of a part check",
            choices=("good", "replaced", "cleaned", "adjusted"),
            given=found,
        )
    said = how.lower()
    done = [
        mode.miss(check.name)
        for check in words().checks
        if check.name != "any" and any(word in said for word in (check.name, *check.words))
    ]
    return min(done, default=mode.miss("any"))


def pin_index(part: Part, pin: str) -> int | None:
    """Which node of a part a pin is; None where an optional pin is not connected.

    A potentiometer with two nodes is a variable resistor: its wiper is its top.
    """
    pins = kind(part.kind).pins
    if kind(part.kind).family == "potentiometer" and len(part.nodes) == 2:
        pins = ("top", "bottom")
        pin = "top" if pin == "wiper" else pin
    index = pins.index(pin)
    return index if index < len(part.nodes) else None


def _modes(of_kind: str) -> tuple[Mode, ...]:
    return kind_modes(of_kind).modes


def _weight(of_kind: str, model: str, mode: Mode, age: float, learnt: Learnt) -> float:
    weight = kind_modes(of_kind).rate_of(model).aged(age) * mode.weight(age)
    return weight * _told(of_kind, age, learnt)[mode.name] if learnt else weight


@lru_cache(maxsize=256)
def _told(of_kind: str, age: float, learnt: Learnt) -> Mapping[str, float]:
    return factors(kind_modes(of_kind), age, learnt)


def _all(
    of_kind: str, name: str, modes: tuple[Mode, ...] | list[Mode], age: float, learnt: Learnt
) -> list[Hypothesis]:
    return [Hypothesis(name, of_kind, mode, _weight(of_kind, "", mode, age, learnt))
            for mode in modes]


def _of_part(part: Part, stage: Stage, age: float, learnt: Learnt) -> list[Hypothesis]:
    by_effect: dict[object, Hypothesis] = {}
    for mode in _modes(part.kind):
        effect = _effect(part, mode)
        if effect is None:
            continue
        weight = _weight(part.kind, part.model, mode, age, learnt)
        weight *= stress_factor(mode.stress, stage, part)
        same = by_effect.get(effect)
        if same is None:
            by_effect[effect] = Hypothesis(part.name, part.kind, mode, weight)
        else:
            by_effect[effect] = replace(same, prior=same.prior + weight)
    return list(by_effect.values())


def _of_supply(
    part: Part, supply: Supply, stage: Stage, age: float, learnt: Learnt
) -> list[Hypothesis]:
    diodes = DIODES[supply.rectifier] if short_name(part.name) == DIODE else 1
    return [
        replace(hypothesis, prior=hypothesis.prior * diodes)
        for hypothesis in _of_part(part, stage, age, learnt)
        # noise, which a supply does not hand on to its rail here
        if not any(change.what in NOISES or change.heard for change in hypothesis.mode.changes)
    ]


def _effect(part: Part, mode: Mode) -> object | None:
    """What a mode does to the circuit, equal for two modes that do the same; None for nothing."""
    effects: list[object] = []
    for change in mode.changes:
        amount = (change.operation, change.what, change.amount, change.times, change.heard)
        if change.what == "value" and part.value is None:
            return None
        nodes = _nodes(part, change)
        if nodes is None or (change.operation == "shunt" and len(nodes) < 2):
            return None
        # in a part of two nodes it does not matter which end a series resistance sits at
        two_ends = change.operation == "series" and len(part.nodes) == 2
        effects.append((amount, frozenset() if two_ends else nodes))
    limits = None if mode.range is None else (mode.range.mild, mode.range.worst)
    return (tuple(effects), limits)


def _nodes(part: Part, change: Change) -> frozenset[object] | None:
    """The nodes a change touches (pins, for a series resistance); None for a pin not connected."""
    touched: set[object] = set()
    for pin in change.pins:
        index = pin_index(part, pin)
        if index is None:
            return None
        touched.add(part.nodes[index] if change.operation == "shunt" else index)
    return frozenset(touched)


def _shows_on_return(mode: Mode, stage: Stage) -> bool:
    return bears_current(stage) or all(change.what != LOAD_JOINT for change in mode.changes)


def _shows_on_rail(mode: Mode, rail: Rail) -> bool:
    wanted = {change.what for change in mode.changes}
    return not ("ripple" in wanted and not any(level for _, level in rail.ripple)) and not (
        "volts" in wanted and rail.volts == 0.0
    )

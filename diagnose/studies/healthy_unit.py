"""The healthy unit of a stage: what stands where, and what in it does not work as drawn."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from circuits.kinds import kind
from circuits.mistakes import mistakes
from circuits.quantity import render
from circuits.ratings import USUAL_WATTS, beyond_usual, rating_unit
from circuits.stage import Adjust, Part, Stage
from circuits.working import states
from diagnose.schema.documents import FORMAT
from faultlib.good_unit import Figure, GoodUnit, good_unit
from faultlib.signature import Stepwise, named
from faultlib.simulate import Laboratory
from faultlib.watched import told

OVER, WARM, UNSET, UNSTABLE = "over its rating", "warm", "not set", "unstable"
SPREAD = "90 % of good units"
"""What `Figure.low` and `Figure.high` stand for, in words."""
_NO_CURRENT = 1e-9
"""A below which nothing flows that anybody could measure in a stage."""


@dataclass(frozen=True)
class Finding:
    """Something in the healthy unit that is not as a working stage has it, or to be minded.

    Attributes
    ----------
    part : str
        Empty where it is of the whole stage.
    state : str
        One of `circuits.working`'s, or `OVER`, `WARM`, `UNSET`, `UNSTABLE`.
    """

    part: str
    state: str
    text: str
    role: str = ""


@dataclass(frozen=True)
class HealthyUnit:
    """A good unit at rest and what is found in it.

    Attributes
    ----------
    stage : Stage
        As drawn.
    problems : tuple of str
        What could not be simulated.
    """

    stage: Stage
    unit: GoodUnit
    findings: tuple[Finding, ...]
    problems: tuple[str, ...]

    def points(self) -> list[tuple[str, str]]:
        """Nodes with what is there, test points first; rails are told by themselves."""
        tested = dict(self.stage.test_points)
        rails = {rail.name for rail in self.stage.rails}
        others = [n for n in self.stage.nodes if n not in tested and n not in rails]
        mine = [(n, what) for n, what in tested.items() if n in self.unit.volts and n not in rails]
        return mine + [(n, "") for n in others]

    def flowing(self) -> tuple[list[Part], list[Part]]:
        """Parts with a current at rest, and parts that could have one; capacitors are neither."""
        some, none = [], []
        for part in self.stage.parts:
            if self.unit.currents[part.name].high >= _NO_CURRENT:
                some.append(part)
            elif kind(part.kind).family != "capacitor":
                none.append(part)
        return some, none

    def set_by(self) -> list[tuple[Adjust, float, float]]:
        """Trimmers that are set by a reading: what it reads, V, and where each stands."""
        volts = self.unit.nominal_volts
        return [(one, volts[one.at] - volts[one.origin], self.unit.stage.part(one.part).position)
                for one in self.stage.adjust]


def healthy_unit(
    stage: Stage, laboratory: Laboratory, progress: Stepwise | None = None
) -> HealthyUnit:
    """Look at the healthy unit of a stage.

    Parameters
    ----------
    progress : callable, optional
        Called with what is being simulated, how much is done, and of how much.

    Raises
    ------
    NoSolution
        When it cannot be simulated.
    """
    unit = good_unit(stage, laboratory, named(progress, "good units"))
    return HealthyUnit(stage, unit, tuple(_findings(unit)), told(unit.problems))


def _findings(unit: GoodUnit) -> Iterator[Finding]:
    roles = unit.stage.roles
    if unit.oscillation is not None:
        swing = unit.oscillation
        yield Finding("", UNSTABLE, f"swings by itself at {render(swing.frequency, 'Hz', 2)}, "
                      f"{render(swing.amplitude, 'V', 2)} peak at the output")
    for one in unit.unset:
        yield Finding(one.part, UNSET, f"cannot be set to {render(one.aim, 'V')}: at its end it "
                      f"reads {render(one.reads, 'V')}", roles[one.part])
    for state in (*mistakes(unit.stage), *states(unit.stage, unit.nominal_volts)):
        yield Finding(state.part, state.state, state.why, roles[state.part])
    for part in unit.stage.parts:
        yield from _burden(part, unit)


def _burden(part: Part, unit: GoodUnit) -> Iterator[Finding]:
    """What a part bears, where that is more than it can or than a usual one does."""
    volts = unit.nominal_volts
    if rating_unit(part.kind) == "V":
        across = abs(volts[part.nodes[0]] - volts[part.nodes[1]])
        if part.rating and across > part.rating:
            yield Finding(part.name, OVER, f"{render(across, 'V', 2)} across a part for "
                          f"{render(part.rating, 'V', 2)}", part.role)
        return
    watts = unit.watts.get(part.name)
    if watts is None:
        return
    heat = render(watts.value, "W", 2)
    if part.rating:
        if watts.value > part.rating:
            yield Finding(part.name, OVER, f"{heat} in a part for {render(part.rating, 'W', 2)}",
                          part.role)
        return
    usual = USUAL_WATTS.get(part.kind)
    if usual is not None and watts.value > usual:
        yield Finding(part.name, WARM, f"{heat}; {beyond_usual(part)} takes "
                      f"{render(usual, 'W', 2)} (common practice)", part.role)


def healthy_json(made: HealthyUnit) -> dict[str, Any]:
    """The document of ``diagnose stages STAGE --healthy --json``; SI units throughout."""
    unit = made.unit
    parts = []
    for part in made.stage.parts:
        watts = unit.watts.get(part.name)
        parts.append({
            "part": part.name,
            "role": part.role,
            "current": _json(unit.currents[part.name]),
            "dissipation": None if watts is None else _json(watts),
            "rating": _rating(part),
            "usual dissipation": USUAL_WATTS.get(part.kind),
        })
    return {
        "format": FORMAT,
        "stage": made.stage.name,
        "spread": SPREAD,
        "nodes": [
            {"node": node, "role": what, "voltage": _json(unit.volts[node])}
            for node, what in made.points()
        ],
        "rails": [
            {"rail": rail.name, "voltage": _json(unit.volts[rail.name]),
             "current": _json(unit.rails[rail.name])}
            for rail in made.stage.rails
        ],
        "parts": parts,
        "trimmers": [
            {"part": one.part, "at": one.at, "from": one.origin, "set to": read,
             "position": position}
            for one, read, position in made.set_by()
        ],
        "findings": [
            {"part": f.part, "state": f.state, "text": f.text, "role": f.role}
            for f in made.findings
        ],
        "problems": list(made.problems),
    }


def _json(one: Figure) -> dict[str, float]:
    return {"value": one.value, "low": one.low, "high": one.high}


def _rating(part: Part) -> dict[str, Any] | None:
    unit = rating_unit(part.kind)
    return {"value": part.rating, "unit": unit} if part.rating else None

"""The answer to a case as frozen data, and its JSON view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from circuits.earths import all_roles
from circuits.prompt import counted, few_lines, some, view, view_text
from circuits.quantity import render
from diagnose.advice.next_reading import NextReading, next_json
from diagnose.answer.departures import Departure, departure_json
from diagnose.answer.from_log import FromLog, from_log_json
from diagnose.answer.judgement import DerivedLine as DerivedLine
from diagnose.answer.judgement import ExpectedLine as ExpectedLine
from diagnose.answer.judgement import VerdictLine as VerdictLine
from diagnose.answer.judgement import derived_json, expected_json, verdict_json
from diagnose.answer.outcome import SUSPECTS, Hidden, Outcome, hidden_json, outcome_json
from diagnose.answer.read_again import ReadAgain, read_again_json
from diagnose.schema.documents import FORMAT, named_roles
from diagnose.sheet.case import Case


@dataclass(frozen=True)
class Severity:
    """Size of a fault: best value and 90 % interval, SI units."""

    quantity: str
    value: float
    low: float
    high: float
    unit: str

    def __repr__(self) -> str:
        best, low, high = (render(x, self.unit) for x in (self.value, self.low, self.high))
        return few_lines(f"{self.quantity} {best} (90 %: {low} to {high})")


@dataclass(frozen=True)
class Explained:
    """A reading that a suspect explains and a healthy unit does not, in the unit shown."""

    reading: str
    measured: float
    healthy: float
    predicted: float
    unit: str


@dataclass(frozen=True)
class Also:
    """The second fault of a suspect that is a pair."""

    part: str
    mode: str
    severity: Severity | None = None
    role: str = ""


@dataclass(frozen=True)
class Suspect:
    """A possible cause.

    Attributes
    ----------
    probability : float
        Of this cause among everything that competes.
    group : int
        Number of its group, from 1.
    severity : Severity or None
        None for a mode without a size.
    role : str
        What the part does in the stage.
    also : Also or None
        A second fault at the same time.
    """

    part: str
    mode: str
    probability: float
    group: int
    severity: Severity | None = None
    explains: tuple[Explained, ...] = ()
    role: str = ""
    also: Also | None = None

    def __repr__(self) -> str:
        sizes = [x for x in (self.severity, self.also.severity if self.also else None) if x]
        return few_lines(
            f"Suspect {self.name}: {_percent(self.probability)}, group {self.group}",
            self.role,
            "; ".join(map(repr, sizes)),
        )

    @property
    def name(self) -> str:
        """Part and mode, with the second fault where there is one."""
        second = f" with {self.also.part} {self.also.mode}" if self.also else ""
        return f"{self.part} {self.mode}{second}"


@dataclass(frozen=True)
class Group:
    """Suspects that the readings taken cannot tell apart.

    Attributes
    ----------
    group : int
    probability : float
    members : tuple of str
    why : str
    hidden : bool
        Whether they mostly look like health, and are no answer of their own.
    """

    group: int
    probability: float
    members: tuple[str, ...]
    why: str
    hidden: bool = False

    def __repr__(self) -> str:
        named = some(self.members, 3)
        return few_lines(f"Group {self.group}: {_percent(self.probability)} {named}", self.why)


@dataclass(frozen=True)
class RepairLine:
    """One reading after a repair, the same before it where it was taken, and a good unit's."""

    reading: str
    before: float | None
    after: float
    healthy: float
    unit: str


@dataclass(frozen=True)
class RepairProof:
    """What the readings after a repair say about it.

    Attributes
    ----------
    outcome : {"gone", "same", "another"}
        The most probable of the three.
    gone, same, another : float
        Probabilities: the unit is good now; nothing has changed; another fault remains.
    priors : tuple of (outcome, probability)
        From the ranking before the repair, before the later readings were looked at.
    remaining : tuple of str
        The faults that fit the later readings best, should one remain.
    """

    part: str
    how: str
    outcome: str
    gone: float
    same: float
    another: float
    priors: tuple[tuple[str, float], ...]
    remaining: tuple[str, ...]
    lines: tuple[RepairLine, ...]

    @property
    def text(self) -> str:
        """The outcome in a plain sentence or two."""
        if self.outcome == "gone":
            return f"The fault is gone: with {self.part} {self.how}, the unit reads as a good one."
        if self.outcome == "same":
            return (f"The fault is still there as it was: {self.part} was not the cause, or the "
                    "repair did not take.")
        named = " or ".join(self.remaining)
        return (f"Partly cured, or changed: with {self.part} {self.how} the unit reads neither as "
                f"before nor as a good one. Another fault remains; most likely {named}.")


@dataclass(frozen=True)
class Result:
    """The answer to a case.

    Attributes
    ----------
    summary : str
        What the verdict comes to, in plain words; empty without limits.
    derived : tuple of DerivedLine
        What follows from the readings by formulas of the trade.
    healthy, unmodelled, rest : float
        Probabilities; with the suspects' they add up to 1.
    suspects : tuple of Suspect
        By falling probability.
    groups : tuple of Group
        By falling probability.
    stages : tuple of (str, float)
        Of a unit: its stages and supplies with the probability that a fault is in them, by falling
        probability; empty for a single stage.
    repair : tuple of RepairProof
        Of every repair that was read after.
    notes : tuple of str
        What the answer rests on and what could not be simulated.
    cautions : tuple of str
        What to mind, the worst first.
    expected : tuple of ExpectedLine
        What a good unit is expected to read, beside what was measured.
    sheet : Case or None
        What was ranked, for views of the answer that show it too.
    answer : Outcome
        Which of the three the answer is: suspects, nothing wrong that shows, or not in the library.
    hidden : tuple of Hidden
        Faults that may be there and do not show, by falling probability.
    again : tuple of ReadAgain
        Readings that no likely fault explains, the farthest off first: to be taken again.
    sections : tuple of (str, float)
        Where the schematic is not at hand: what the parts at fault are for, by falling probability.
    departures : tuple of Departure
        How far the readings of the unit, or of its suspect channel, are from a healthy one.
    log : FromLog or None
        What the shop's log adds; None where there is none, or it is left out.
    """

    stage: str
    case: str
    verdict: tuple[VerdictLine, ...]
    healthy: float
    unmodelled: float
    suspects: tuple[Suspect, ...]
    groups: tuple[Group, ...]
    rest: float = 0.0
    stages: tuple[tuple[str, float], ...] = ()
    next: tuple[NextReading, ...] = ()
    repair: tuple[RepairProof, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    summary: str = ""
    answer: Outcome = field(default_factory=lambda: Outcome(SUSPECTS, 0.0))
    hidden: tuple[Hidden, ...] = ()
    sections: tuple[tuple[str, float], ...] = ()
    derived: tuple[DerivedLine, ...] = ()
    expected: tuple[ExpectedLine, ...] = ()
    again: tuple[ReadAgain, ...] = ()
    departures: tuple[Departure, ...] = ()
    log: FromLog | None = None
    sheet: Case | None = field(default=None, compare=False)

    @property
    def nothing(self) -> float:
        """Probability that nothing is wrong, or nothing that shows in these readings."""
        return self.healthy + sum(g.probability for g in self.groups if g.hidden)

    @property
    def told(self) -> tuple[Group, ...]:
        """The groups that are answers of their own: those that do not look like health."""
        return tuple(g for g in self.groups if not g.hidden)

    def __repr__(self) -> str:
        lead = self.told[0] if self.told else None
        first = "no fault is named" if lead is None else (
            f"{_percent(lead.probability)} {some(lead.members, 2)}")
        return few_lines(
            f"Result {self.case}, stage {self.stage}",
            first,
            f"healthy {_percent(self.healthy)}, not in the library {_percent(self.unmodelled)}; "
            f"{counted(len(self.suspects), 'suspect') or 'no suspect'}",
        )

    def _repr_html_(self) -> str | None:
        return view_text(self, "html")

    def to_frame(self) -> Any:
        """The suspects as a pandas table, a row each."""
        return view(self, "frame")


def _percent(probability: float) -> str:
    """Per cent with three digits, never a false 0 or 100."""
    if probability < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if probability > 0.999 else f"{100.0 * probability:.3g} %"


def to_json(result: Result) -> dict[str, Any]:
    """The document of ``diagnose rank --json``.

    Returns
    -------
    dict
        Plain data with the keys that the contract fixes.
    """
    roles = _roles(result)
    document: dict[str, Any] = {
        "format": FORMAT,
        "stage": result.stage,
        "case": result.case,
        "verdict": [verdict_json(v) for v in result.verdict],
        "summary": result.summary,
        "expected": [expected_json(x) for x in result.expected],
        "derived": [derived_json(d) for d in result.derived],
        "answer": outcome_json(result.answer),
        "read again": [read_again_json(one) for one in result.again],
        "healthy": result.healthy,
        "unmodelled": result.unmodelled,
        "rest": result.rest,
        "suspects": [_suspect(s) for s in result.suspects],
        "groups": [
            {"group": g.group, "probability": g.probability, "members": list(g.members),
             "why": g.why, "hidden": g.hidden,
             "parts": _parts(g, result)}
            for g in result.groups
        ],
        "hidden": [hidden_json(h) for h in result.hidden],
        "next": [next_json(n) for n in result.next],
        "repair": [_repair(r, roles) for r in result.repair],
        "notes": list(result.notes),
        "cautions": list(result.cautions),
    }
    document["departures"] = [departure_json(one) for one in result.departures]
    if result.log is not None:
        document["log"] = from_log_json(result.log)
    if result.stages:
        document["stages"] = [{"stage": name, "probability": p} for name, p in result.stages]
    if result.sections:
        document["sections"] = [{"section": name, "probability": p} for name, p in result.sections]
    document["roles"] = named_roles(roles, document)
    return document


def _roles(result: Result) -> dict[str, str]:
    """What parts do: of the whole stage where the sheet is at hand, else of the suspects."""
    if result.sheet is not None:
        return all_roles(result.sheet.stage)
    roles = {s.part: s.role for s in result.suspects}
    return roles | {s.also.part: s.also.role for s in result.suspects if s.also}


def _parts(group: Group, result: Result) -> list[dict[str, str]]:
    """The parts that the members of a group name, each once, with what they do."""
    parts: dict[str, str] = {}
    for suspect in result.suspects:
        if suspect.group == group.group:
            parts.setdefault(suspect.part, suspect.role)
            if suspect.also is not None:
                parts.setdefault(suspect.also.part, suspect.also.role)
    return [{"part": part, "role": role} for part, role in parts.items()]


def _repair(proof: RepairProof, roles: Mapping[str, str]) -> dict[str, Any]:
    return {
        "part": proof.part, "role": roles.get(proof.part, ""), "how": proof.how,
        "outcome": proof.outcome, "text": proof.text,
        "gone": proof.gone, "same": proof.same, "another": proof.another,
        "priors": dict(proof.priors), "remaining": list(proof.remaining),
        "readings": [
            {"reading": x.reading, "before": x.before, "after": x.after, "healthy": x.healthy,
             "unit": x.unit}
            for x in proof.lines
        ],
    }


def _severity(size: Severity | None) -> dict[str, Any] | None:
    if size is None:
        return None
    return {"quantity": size.quantity, "value": size.value, "low": size.low, "high": size.high,
            "unit": size.unit}


def _suspect(suspect: Suspect) -> dict[str, Any]:
    document: dict[str, Any] = {
        "part": suspect.part,
        "mode": suspect.mode,
        "role": suspect.role,
        "probability": suspect.probability,
        "group": suspect.group,
        "severity": _severity(suspect.severity),
        "explains": [
            {"reading": e.reading, "measured": e.measured, "healthy": e.healthy,
             "predicted": e.predicted, "unit": e.unit}
            for e in suspect.explains
        ],
    }
    if suspect.also is not None:
        document["also"] = {"part": suspect.also.part, "mode": suspect.also.mode,
                        "severity": _severity(suspect.also.severity), "role": suspect.also.role}
    return document

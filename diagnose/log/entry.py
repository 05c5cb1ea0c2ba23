"""One closed job as frozen data, and as the plain data that one shop gives another.

An entry's `job` is a UUID that is made when the job is first closed and stands on its sheet, so the
same job is the same entry on every machine. Of two versions of one the higher `revision` counts,
and of two equal revisions the one whose digest is greater: whoever merges what with what, in
whatever order, all come to the same.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from typing import Any

from circuits.errors import InputError
from circuits.textfile import UNPRINTABLE
from diagnose.answer.kinds import NOTHING, SUSPECTS, UNKNOWN

FAULT, GOOD, OTHER = "fault", "nothing wrong", "not in the library"
FINDINGS = (FAULT, GOOD, OTHER)
"""What a job can turn out to be: faults of the library, a good unit, anything else."""
PROVEN = ("readings after", "measured", "swapped")
"""How a cause was proved: the unit read right after the repair; the part itself was measured and
found bad; the unit worked with a good part in its place."""
NOT_PROVED = "not proved"
PROOFS = (*PROVEN, NOT_PROVED)

JOB = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_WHEN = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
MOST_TEXT = 2000
"""Signs of one text of an entry, as of a record."""
MOST_FAULTS, MOST_PARTS, MOST_SEEN, MOST_TOLD = 20, 100, 5000, 20
"""Faults, parts fitted, readings and suspects of one entry."""
MOST_MINUTES = 1e5
"""Minutes of one job: ten weeks of work."""
_MOST_REVISION = 10**9
"""Changes of one entry: more is a number of something else."""
OLDEST = 120.0
"""Years, as of a sheet."""


@dataclass(frozen=True)
class Found:
    """A fault that was found: the part, its kind and the mode of the library."""

    part: str
    kind: str
    mode: str

    def __str__(self) -> str:
        return f"{self.part} {self.mode}"


@dataclass(frozen=True)
class Seen:
    """A reading as it was, in the unit shown.

    Attributes
    ----------
    off : float
        How far from a healthy unit, over the spread of good units and the meter's together.
    """

    reading: str
    measured: float
    healthy: float
    unit: str
    off: float


@dataclass(frozen=True)
class Suspected:
    """A suspect of the answer before the cause was known; `place` is that of its group, from 1."""

    part: str
    mode: str
    probability: float
    place: int


@dataclass(frozen=True)
class Entry:
    """One closed job.

    Attributes
    ----------
    job : str
        UUID.
    closed : str
        When, ISO 8601 in UTC.
    wiring : str
        Digest of which parts are connected how: the same in two files of one topology.
    minutes : float or None
    followed : bool or None
        Whether readings were taken as they were proposed; None where nobody said.
    told : str
        What kind the answer was, of `diagnose.answer.outcome`.
    struck : bool
        Taken out: it stays, so that it does not come back from another log.
    sheet : str
        Path of its sheet on this machine; not handed on.
    """

    job: str
    closed: str
    stage: str
    wiring: str
    finding: str
    proof: str
    case: str = ""
    unit: str = ""
    serial: str = ""
    age: float = 40.0
    faults: tuple[Found, ...] = ()
    minutes: float | None = None
    followed: bool | None = None
    cause: str = ""
    parts: tuple[str, ...] = ()
    seen: tuple[Seen, ...] = ()
    told: str = SUSPECTS
    suspects: tuple[Suspected, ...] = ()
    revision: int = 1
    struck: bool = False
    sheet: str = ""

    @property
    def confirmed(self) -> bool:
        """Whether it is proved which fault it was, so that it can be learnt from."""
        return self.finding == FAULT and self.proof in PROVEN and not self.struck

    @property
    def was(self) -> str:
        """What it was, in words."""
        return " with ".join(map(str, self.faults)) if self.finding == FAULT else self.finding

    @property
    def right(self) -> bool | None:
        """Whether the first answer, or one of its group, was right; None where nobody knows."""
        if self.proof == NOT_PROVED:
            return None
        if self.finding == GOOD:
            return self.told == NOTHING
        if self.finding == OTHER:
            return self.told == UNKNOWN
        first = {(s.part, s.mode) for s in self.suspects if s.place == 1}
        return self.told == SUSPECTS and all((f.part, f.mode) in first for f in self.faults)

    @cached_property
    def digest(self) -> str:
        """Of all that is handed on."""
        text = json.dumps(plain(self), sort_keys=True, ensure_ascii=True, allow_nan=False)
        return sha256(text.encode("ascii")).hexdigest()

    @property
    def rank(self) -> tuple[int, bool, str]:
        """The greater of two versions of one job counts.

        The serial number is not lost to a version that was handed on without.
        """
        return self.revision, bool(self.serial), self.digest


def plain(entry: Entry) -> dict[str, Any]:
    """An entry as plain data, all but where its sheet is."""
    return {
        "entry": "case", "job": entry.job, "revision": entry.revision, "struck": entry.struck,
        "closed": entry.closed, "case": entry.case, "stage": entry.stage, "wiring": entry.wiring,
        "unit": entry.unit, "serial": entry.serial, "age": entry.age, "finding": entry.finding,
        "faults": [{"part": f.part, "kind": f.kind, "mode": f.mode} for f in entry.faults],
        "proof": entry.proof, "minutes": entry.minutes, "followed": entry.followed,
        "cause": entry.cause, "parts": list(entry.parts),
        "seen": [{"reading": s.reading, "measured": s.measured, "healthy": s.healthy,
                  "unit": s.unit, "off": s.off} for s in entry.seen],
        "told": entry.told,
        "suspects": [{"part": s.part, "mode": s.mode, "probability": s.probability,
                      "place": s.place} for s in entry.suspects],
    }


KEYS = tuple(plain(Entry("", "", "", "", "", "")))
"""Of the plain data, in their order."""


def read_entry(data: object) -> Entry:
    """An entry of plain data, which may come from anywhere.

    Raises
    ------
    InputError
        For whatever is no entry.
    """
    top = mapping(data, "an entry", KEYS)
    finding = word(top, "finding", FINDINGS)
    faults = tuple(
        Found(*(text(one, key, empty=False) for key in ("part", "kind", "mode")))
        for one in _rows(top, "faults", ("part", "kind", "mode"), MOST_FAULTS)
    )
    if (finding == FAULT) != bool(faults):
        raise InputError(f"{len(faults)} faults stand in an entry of the finding {finding!r}",
                         expected="faults where, and only where, the finding is fault")
    followed = top["followed"]
    if followed is not None and not isinstance(followed, bool):
        raise InputError("followed is neither yes nor no", expected="true, false or null")
    if not isinstance(top["struck"], bool):
        raise InputError("struck is neither yes nor no", expected="true or false")
    return Entry(
        job=matching(top, "job", JOB, "a UUID"),
        closed=matching(top, "closed", _WHEN, "a time such as 2026-03-01T14:30:00Z"),
        stage=text(top, "stage", empty=False), wiring=text(top, "wiring"), finding=finding,
        proof=word(top, "proof", PROOFS), case=text(top, "case"), unit=text(top, "unit"),
        serial=text(top, "serial"), age=number(top, "age", 0.0, OLDEST), faults=faults,
        minutes=None if top["minutes"] is None else number(top, "minutes", 0.0, MOST_MINUTES),
        followed=followed, cause=text(top, "cause"), parts=_texts(top, "parts"),
        seen=tuple(
            Seen(text(s, "reading", empty=False), number(s, "measured"), number(s, "healthy"),
                 text(s, "unit"), number(s, "off"))
            for s in _rows(top, "seen", ("reading", "measured", "healthy", "unit", "off"),
                           MOST_SEEN)
        ),
        told=word(top, "told", (SUSPECTS, NOTHING, UNKNOWN)),
        suspects=tuple(
            Suspected(text(s, "part"), text(s, "mode"), number(s, "probability", 0.0, 1.0),
                      whole(s, "place"))
            for s in _rows(top, "suspects", ("part", "mode", "probability", "place"), MOST_TOLD)
        ),
        revision=whole(top, "revision"), struck=top["struck"],
    )


def bare(text: str) -> str:
    """Letters and digits alone: of serial numbers, ``SN 00-42`` and ``sn0042`` are the same."""
    return "".join(sign for sign in text.casefold() if sign.isalnum())


def without_serial(entry: Entry) -> Entry:
    """The entry without what tells whose unit it was."""
    return replace(entry, serial="", case="")


def mapping(data: object, what: str, keys: Sequence[str]) -> Mapping[str, Any]:
    """Plain data with these keys and no others.

    Raises
    ------
    InputError
        For others; so do all that follow.
    """
    if not isinstance(data, dict):
        raise InputError(f"this is not {what}", expected="an object with the keys of one")
    odd = next((key for key in data if key not in keys), None)
    if odd is not None:
        raise InputError(f"{str(odd)[:60]!r} is no key of {what}", choices=keys,
                         given=str(odd)[:60])
    missing = [key for key in keys if key not in data]
    if missing:
        raise InputError(f"{what} lacks {missing[0]!r}", expected=", ".join(keys))
    return data


def _rows(top: Mapping[str, Any], key: str, keys: Sequence[str], most: int) -> list[Any]:
    rows = top[key]
    if not isinstance(rows, list) or len(rows) > most:
        raise InputError(f"{key} is no list of up to {most}", expected="a list")
    return [mapping(row, f"one of {key}", keys) for row in rows]


def _texts(top: Mapping[str, Any], key: str) -> tuple[str, ...]:
    rows = top[key]
    if not isinstance(rows, list) or len(rows) > MOST_PARTS:
        raise InputError(f"{key} is no list of up to {MOST_PARTS}", expected="a list of texts")
    return tuple(text({key: row}, key) for row in rows)


def text(top: Mapping[str, Any], key: str, empty: bool = True) -> str:
    """A text of plain data, printable and not too long."""
    said = top[key]
    if (not isinstance(said, str) or len(said) > MOST_TEXT or UNPRINTABLE.search(said)
            or not (said or empty)):
        raise InputError(f"{key} is no text of an entry",
                         expected=f"{0 if empty else 1} to {MOST_TEXT} signs that can be printed")
    return said


def word(top: Mapping[str, Any], key: str, allowed: Sequence[str]) -> str:
    """One of some words."""
    said = top[key]
    if said not in allowed:
        raise InputError(f"{str(said)[:60]!r} is no {key}", choices=allowed, given=str(said)[:60])
    return str(said)


def number(
    top: Mapping[str, Any], key: str, low: float = -math.inf, high: float = math.inf
) -> float:
    """A finite number between two limits."""
    said = top[key]
    try:
        found = math.nan if isinstance(said, bool) else float(said) + 0.0
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if isinstance(said, str) or not math.isfinite(found) or not low <= found <= high:
        raise InputError(f"{key} is no number of an entry",
                         expected="a number" if math.isinf(high) else f"{low:g} to {high:g}")
    return found


def whole(top: Mapping[str, Any], key: str) -> int:
    """A count from 1."""
    said = top[key]
    if isinstance(said, bool) or not isinstance(said, int) or not 1 <= said <= _MOST_REVISION:
        raise InputError(f"{key} is no whole number", expected=f"1 to {_MOST_REVISION}")
    return said


def matching(top: Mapping[str, Any], key: str, form: re.Pattern[str], expected: str) -> str:
    """A text of a form."""
    said = text(top, key)
    if not form.fullmatch(said):
        raise InputError(f"{said[:60]!r} is no {key}", expected=expected)
    return said

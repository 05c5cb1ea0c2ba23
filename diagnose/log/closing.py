"""A sheet and its answer made into an entry of the log.

What a job turned out to be stands on its sheet, in the record (`diagnose.sheet.record.CLOSED`);
here it is read from there. So a sheet that is changed and closed again is the same entry.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from circuits.errors import InputError
from circuits.stage import Stage
from diagnose.answer.result import Result
from diagnose.log.entry import (
    FAULT,
    GOOD,
    JOB,
    MOST_FAULTS,
    MOST_MINUTES,
    MOST_SEEN,
    MOST_TEXT,
    MOST_TOLD,
    OTHER,
    PROOFS,
    PROVEN,
    Entry,
    Found,
    Seen,
    Suspected,
)
from diagnose.log.wiring import wiring
from diagnose.sheet.case import Case
from diagnose.sheet.record import Record
from faultlib.catalogue import kind_of, mode_for

YES, NO = "yes", "no"
_FARTHEST = 1e6
"""Spreads that a reading can be off; what is farther is as far."""


@dataclass(frozen=True)
class Closing:
    """What a job turned out to be.

    Attributes
    ----------
    finding, faults, proof, minutes, followed
        As of an `Entry`.
    """

    finding: str
    faults: tuple[Found, ...]
    proof: str
    minutes: float | None = None
    followed: bool | None = None

    def words(self) -> dict[str, str]:
        """The fields of the record that say so; empty for what nobody said."""
        said = "; ".join(f"{f.part}: {f.mode}" for f in self.faults)
        return {
            "found": said if self.finding == FAULT else self.finding,
            "proved": self.proof,
            "minutes": "" if self.minutes is None else f"{self.minutes:g}",
            "followed": "" if self.followed is None else YES if self.followed else NO,
        }


def read_closing(said: Mapping[str, str], stage: Stage) -> Closing:
    """What was found, from the fields of a record.

    Raises
    ------
    InputError
        For a part, mode, proof or number that is none.
    """
    found = said.get("found", "").strip()
    proof = said.get("proved", "").strip()
    if not found:
        raise InputError("this job does not say what was found",
                         expected=f"PART: MODE, {GOOD} or {OTHER}")
    if proof not in PROOFS:
        raise InputError(f"{proof!r} is no proof of what it was", choices=PROOFS, given=proof,
                         expected=" or ".join(PROOFS))
    faults: tuple[Found, ...] = ()
    finding = found if found in (GOOD, OTHER) else FAULT
    if finding == FAULT:
        faults = tuple(dict.fromkeys(_fault(each, stage) for each in found.split(";")))
        if len(faults) > MOST_FAULTS:
            raise InputError(f"{len(faults)} faults in one unit", expected=f"up to {MOST_FAULTS}")
    followed = said.get("followed", "").strip()
    if followed not in ("", YES, NO):
        raise InputError(f"{followed!r} does not say whether the readings proposed were taken",
                         expected=f"{YES} or {NO}")
    return Closing(finding, faults, proof, _minutes(said.get("minutes", "")),
                   None if not followed else followed == YES)


def _fault(text: str, stage: Stage) -> Found:
    part, _, mode = (word.strip() for word in text.partition(":"))
    of_kind = kind_of(stage, part)
    return Found(part, of_kind, mode_for(stage, part, " ".join(mode.split())).name)


def _minutes(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not 0.0 <= found <= MOST_MINUTES:
        raise InputError(f"{text.strip()!r} is no time of work",
                         expected=f"minutes, up to {MOST_MINUTES:g}")
    return found


def before_found(case: Case, faults: Sequence[Found]) -> Case:
    """The case as it stood before anybody looked at the parts that were it.

    That is what the first answer is held against.
    """
    parts = {f.part for f in faults} | {r.part for r in case.repaired}
    kept = tuple(c for c in case.checks if c.part not in parts)
    return replace(case, checks=kept, repaired=())


def check_proof(closing: Closing, result: Result) -> None:
    """Hold the proof by later readings against what these say.

    Parameters
    ----------
    result : Result
        Of the whole sheet.

    Raises
    ------
    InputError
        Where there are none, or the unit did not read right.
    """
    if closing.proof != PROVEN[0] or closing.finding != FAULT:
        return
    last = result.repair[-1] if result.repair else None
    if last is None:
        raise InputError("no readings after a repair stand on this sheet",
                         expected="repaired: with readings, or another proof")
    if last.outcome != "gone":
        raise InputError(
            f"the readings after the repair do not prove it: {last.text}",
            expected="readings of a unit that is right again, or the proof 'not proved'")
    mended = {proof.part for proof in result.repair}
    other = next((f for f in closing.faults if f.part not in mended), None)
    if other is not None:
        raise InputError(f"the readings were taken after {', '.join(sorted(mended))} was repaired, "
                         f"not {other.part}", expected="the part that was repaired")


def entry_of(
    case: Case, closing: Closing, first: Result, record: Record, job: str, now: datetime,
) -> Entry:
    """The entry of a job.

    Parameters
    ----------
    first : Result
        The answer to `before_found`.
    record : Record
        As it stands once the job is closed.
    job : str
        The UUID on the sheet.
    now : datetime
        In UTC.
    """
    if not JOB.fullmatch(job):
        raise InputError(f"{job[:60]!r} is no number of a job", expected="a UUID, or none yet")
    told = [g.group for g in first.told]
    suspects = [
        Suspected(part, mode, s.probability, told.index(s.group) + 1)
        for s in first.suspects if s.group in told
        for part, mode in ((s.part, s.mode), *([(s.also.part, s.also.mode)] if s.also else []))
    ]
    seen = tuple(
        Seen(_short(d.reading), _finite(d.measured), _finite(d.healthy), d.unit, _finite(d.off))
        for d in first.departures[:MOST_SEEN]
    )
    return Entry(
        job=job, closed=now.strftime("%Y-%m-%dT%H:%M:%SZ"), stage=case.stage.name,
        wiring=wiring(case.stage), finding=closing.finding, proof=closing.proof,
        case=_short(case.name), unit=_short(record.of("unit")), serial=_short(record.of("serial")),
        age=case.age, faults=closing.faults, minutes=closing.minutes, followed=closing.followed,
        cause=_short(record.of("cause")), parts=tuple(map(_short, record.parts[:100])), seen=seen,
        told=first.answer.kind, suspects=tuple(suspects[:MOST_TOLD]), sheet=str(case.path),
    )


def as_recorded(entry: Entry, record: Record, stage: Stage) -> Entry:
    """The entry with what the record of its sheet says now; readings and answer stay.

    Raises
    ------
    InputError
        For a record that says nothing that can be used.
    """
    said = read_closing(dict(record.fields), stage)
    return replace(
        entry, finding=said.finding, faults=said.faults, proof=said.proof, minutes=said.minutes,
        followed=said.followed, unit=_short(record.of("unit")),
        serial=_short(record.of("serial")), cause=_short(record.of("cause")),
        parts=tuple(map(_short, record.parts[:100])),
    )


def _short(text: str) -> str:
    """A text that an entry can hold."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    return plain[:MOST_TEXT]


def _finite(x: float) -> float:
    """What JSON has a number for."""
    if math.isnan(x):
        return 0.0
    return max(-_FARTHEST, min(_FARTHEST, x)) if math.isinf(x) else x

"""Closing a job: what has to be known before anything is written, and the log kept true to sheets.

The order of writing is sheet, then log: an entry that was acknowledged has its sheet, and a sheet
that says it was closed can be closed again, as the same entry.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from circuits.errors import AmplifierError
from diagnose.answer.result import Result
from diagnose.log.book import Log
from diagnose.log.closing import (
    as_recorded,
    before_found,
    check_proof,
    entry_of,
    read_closing,
)
from diagnose.log.entry import Entry
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.record import Record

_JUST_NOW = 2.0
"""Seconds after closing in which a sheet is not taken for changed: closing itself wrote it."""


@dataclass(frozen=True)
class Closed:
    """A job that can be written: the record for its sheet and the entry for the log."""

    record: Record
    entry: Entry


def closed(
    case: Case, said: Mapping[str, str], parts: tuple[str, ...] | None,
    ranked: Callable[[Case], Result], job: str = "",
) -> Closed:
    """What closing a job writes.

    Parameters
    ----------
    said : mapping of word to text
        Of fields of the record, those that are to be changed.
    parts : tuple of str or None
        Parts fitted; None leaves what the sheet says.
    ranked : callable
        Ranks a case, with the log.
    job : str
        UUID; by default that of the sheet, or a new one.

    Raises
    ------
    InputError
        For what was found, a proof or a number that is none.
    """
    now = datetime.now(UTC)
    fields = {**dict(case.record.fields), **said}
    closing = read_closing(fields, case.stage)
    number = job or case.record.of("job") or str(uuid.uuid4())
    finished = fields.get("finished") or f"{now.astimezone():%Y-%m-%d}"
    fields |= {**closing.words(), "job": number, "finished": finished}
    record = Record(tuple((word, text) for word, text in fields.items() if text),
                    case.record.parts if parts is None else parts)
    untouched = before_found(case, closing.faults)
    first = ranked(untouched)
    check_proof(closing, first if untouched == case else ranked(case))
    return Closed(record, entry_of(case, closing, first, record, number, now))


def job_of(case: Case, log: Log) -> str:
    """The number that a case is closed under; empty for a new one.

    A sheet that was copied from a closed one has that one's number, and is another job.
    """
    number = case.record.of("job")
    known = log.known(number) if number else None
    if known is not None and known.sheet and not _same(Path(known.sheet), case.path):
        other = _read(Path(known.sheet))
        if other is not None and other.record.of("job") == number:
            return str(uuid.uuid4())
    return number


def brought_up(log: Log) -> list[Entry]:
    """Take over what sheets say that were changed since they were closed; the entries that changed.

    A sheet that is gone, or damaged, leaves its entry as it is.
    """
    changed: list[Entry] = []
    for entry in log.entries():
        path = Path(entry.sheet)
        if not entry.sheet or not _touched(path, entry):
            continue
        case = _read(path)
        if case is None or case.record.of("job") != entry.job:
            continue
        try:
            now = as_recorded(entry, case.record, case.stage)
        except AmplifierError:
            continue
        if now != entry:
            changed.append(log.put(now))
    return changed


def follow(log: Log, case: Case) -> None:
    """Take over what the record of one sheet says, if its job is in the log."""
    number = case.record.of("job")
    known = log.known(number) if number else None
    if known is not None and not known.struck:
        now = as_recorded(known, case.record, case.stage)
        if now != known:
            log.put(replace(now, sheet=known.sheet))


def _touched(path: Path, entry: Entry) -> bool:
    closing = datetime.fromisoformat(entry.closed).timestamp()
    try:
        return path.is_file() and path.stat().st_mtime > closing + _JUST_NOW
    except OSError:
        return False


def _same(one: Path, other: Path) -> bool:
    try:
        return one.resolve() == other.resolve()
    except OSError:
        return False


def _read(path: Path) -> Case | None:
    try:
        return load_case(path) if path.is_file() else None
    except (AmplifierError, OSError):
        return None

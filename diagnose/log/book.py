"""The log itself: entries put in, looked up, struck out, merged and backed up."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

from circuits.errors import InputError
from circuits.leftovers import PART
from diagnose.log.entry import PROVEN, Entry, bare, plain, read_entry
from diagnose.log.schema import NotLogged, damaged, opened
from diagnose.log.service import Service, read_service, service_plain

_COLUMNS = ("job", "revision", "struck", "closed", "name", "stage", "wiring", "unit", "serial",
            "age", "finding", "proof", "minutes", "followed", "cause", "parts", "seen", "told",
            "suspects", "sheet", "digest")
_CONFIRMED = (f"c.struck = 0 AND c.finding = 'fault' "
              f"AND c.proof IN ({', '.join('?' * len(PROVEN))})")
_MOST_LIKE = 1000
"""Entries of one stage that are looked through for like ones: half a second."""
_LEAST_SIGNS = 4
"""Signs of the number of an entry that are asked for at least."""


@dataclass(frozen=True)
class Merged:
    """What came of merging: entries that were new, replaced by a later version, and known."""

    added: int = 0
    newer: int = 0
    known: int = 0


class Log:
    """The case log in a file.

    Every change is with the disk when the call comes back.

    Parameters
    ----------
    path : Path
        Made where there is none.

    Raises
    ------
    Damaged, NotLogged
        As `diagnose.log.schema.opened`; every call raises the same.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._link = opened(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with self._told():
            self._link.close()

    def put(self, entry: Entry) -> Entry:
        """Keep an entry; of a job that is known, as its next version."""
        with self._told(), self._whole():
            known = self._of(entry.job)
            if known is not None:
                entry = replace(entry, revision=known.revision + 1)
            self._write(entry)
        return entry

    def serve(self, one: Service) -> None:
        """Keep a time in service."""
        with self._told(), self._whole():
            self._write_service(one)

    def merge(self, entries: Iterable[Entry | Service]) -> Merged:
        """Take entries over from another log, all of them or none."""
        added = newer = known = 0
        with self._told(), self._whole():
            for one in entries:
                before = (self._of(one.job) if isinstance(one, Entry)
                          else self._service(one.job))
                if before is None:
                    added += 1
                elif one.rank > before.rank:
                    newer += 1
                else:
                    known += 1
                    continue
                if isinstance(one, Service):
                    self._write_service(one)
                else:
                    sheet = before.sheet if isinstance(before, Entry) else ""
                    self._write(replace(one, sheet=sheet))
        return Merged(added, newer, known)

    def strike(self, job: str) -> Entry:
        """Take an entry out; it is kept as struck, so that no merge brings it back."""
        return self.put(replace(self.entry(job), struck=True))

    def entry(self, job: str) -> Entry:
        """The entry of a job, by its number or the first signs of it.

        Raises
        ------
        InputError
            For a number that no entry has, or several.
        """
        given = job.strip().lower()
        with self._told():
            rows = self._link.execute(
                "SELECT job FROM cases WHERE substr(job, 1, ?) = ? ORDER BY job LIMIT 2",
                (len(given), given)).fetchall()
        if len(given) < _LEAST_SIGNS or not rows:
            raise InputError(f"no entry of the log has the number {job!r}",
                             expected=f"{_LEAST_SIGNS} signs or more of one that "
                             "diagnose log list shows")
        if len(rows) > 1:
            raise InputError(f"several entries begin with {job!r}", expected="more signs of it")
        found = self.known(str(rows[0][0]))
        assert found is not None
        return found

    def known(self, job: str) -> Entry | None:
        """The entry of exactly that number, or None."""
        with self._told():
            return self._of(job)

    def entries(self, struck: bool = False) -> list[Entry]:
        """All entries, the one closed last first.

        Parameters
        ----------
        struck : bool
            Those that were struck out as well.
        """
        asked = "" if struck else "WHERE struck = 0"
        with self._told():
            return list(self._read(f"{asked} ORDER BY closed DESC, job"))

    def like_stage(self, stage: str, wiring: str) -> list[Entry]:
        """Entries of the same stage, or of one that is connected alike; the latest thousand."""
        with self._told():
            return list(self._read(
                "WHERE struck = 0 AND (wiring = ? OR stage = ?) ORDER BY closed DESC, job "
                "LIMIT ?", (wiring, stage, _MOST_LIKE)))

    def of_serial(self, serial: str) -> list[Entry]:
        """Entries of a serial number, however it was written; the latest first."""
        wanted = bare(serial)
        if not wanted:
            return []
        with self._told():
            rows = self._link.execute("SELECT job, serial FROM cases WHERE struck = 0 AND "
                                      "serial <> '' ORDER BY closed DESC, job").fetchall()
            jobs = [str(job) for job, written in rows if bare(str(written)) == wanted]
            return [found for job in jobs if (found := self._of(job)) is not None]

    def services(self, struck: bool = False) -> list[Service]:
        """All times in service."""
        asked = "" if struck else "WHERE struck = 0"
        with self._told():
            rows = self._link.execute(f"SELECT job FROM service {asked} ORDER BY stage, job")
            return [one for (job,) in rows.fetchall() if (one := self._service(job)) is not None]

    def confirmed(self, but: str = "") -> list[tuple[str, str, float, int]]:
        """Kind, mode and age with how many confirmed repairs there are of these, sorted.

        Parameters
        ----------
        but : str
            A job that is left out: an answer on a unit does not rest on what it turned out to be.
        """
        with self._told():
            rows = self._link.execute(
                f"""SELECT f.kind, f.mode, c.age, count(*) FROM faults f JOIN cases c USING (job)
                    WHERE {_CONFIRMED} AND c.job <> ?
                    GROUP BY f.kind, f.mode, c.age ORDER BY f.kind, f.mode, c.age""",
                (*PROVEN, but))
            return [(str(k), str(m), float(a), int(n)) for k, m, a, n in rows.fetchall()]

    def confirmed_of(self, served: Sequence[Service], but: str = "") -> dict[str, int]:
        """Faults of confirmed repairs of the stages that were in service, by kind."""
        wirings, stages = [s.wiring for s in served], [s.stage for s in served]
        with self._told():
            rows = self._link.execute(
                f"""SELECT f.kind, count(*) FROM faults f JOIN cases c USING (job)
                    WHERE {_CONFIRMED} AND c.job <> ?
                      AND (c.wiring IN ({_marks(wirings)}) OR c.stage IN ({_marks(stages)}))
                    GROUP BY f.kind""", (*PROVEN, but, *wirings, *stages))
            return {str(kind): int(count) for kind, count in rows.fetchall()}

    def count_confirmed(self, but: str = "") -> int:
        """How many entries can be learnt from."""
        with self._told():
            row = self._link.execute(
                f"SELECT count(*) FROM cases c WHERE {_CONFIRMED} AND c.job <> ?",
                (*PROVEN, but)).fetchone()
        return int(row[0])

    def count(self) -> int:
        """How many entries there are."""
        with self._told():
            row = self._link.execute("SELECT count(*) FROM cases WHERE struck = 0").fetchone()
        return int(row[0])

    def backup(self, path: Path) -> None:
        """Write a copy of the whole log, whole or not at all.

        Raises
        ------
        InputError
            For a file that exists, or a folder that does not take it.
        """
        trial = path.with_name(f"{PART}{path.name}")
        if path.exists():
            raise InputError(f"{path} exists already", expected="a new file for the backup")
        try:
            trial.unlink(missing_ok=True)
            self._link.execute("VACUUM INTO ?", (str(trial),))
            with trial.open("rb+") as file:
                os.fsync(file.fileno())
            os.link(trial, path)  # and not over one that came meanwhile
        except (OSError, sqlite3.Error) as error:
            raise InputError(f"{path} cannot be written: "
                             f"{getattr(error, 'strerror', None) or error}",
                             expected="a folder that exists, with room") from None
        finally:
            trial.unlink(missing_ok=True)

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Say what SQLite says in the words of the project."""
        try:
            yield
        except (sqlite3.OperationalError, sqlite3.ProgrammingError) as error:
            raise NotLogged(f"the case log {self.path} cannot be used: {error}") from None
        except sqlite3.Error as error:
            raise damaged(self.path, str(error)) from None

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """All changes of a block or none; with the disk when it ends."""
        self._link.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._link.execute("COMMIT")
        except BaseException:
            if self._link.in_transaction:
                self._link.execute("ROLLBACK")
            raise

    def _of(self, job: str) -> Entry | None:
        return next(self._read("WHERE job = ?", (job,)), None)

    def _read(self, asked: str, values: Sequence[object] = ()) -> Iterator[Entry]:
        rows = self._link.execute(f"SELECT {', '.join(_COLUMNS)} FROM cases {asked}",
                                  values).fetchall()
        for row in rows:
            held = dict(zip(_COLUMNS, row, strict=True))
            faults = self._link.execute(
                "SELECT part, kind, mode FROM faults WHERE job = ? ORDER BY number",
                (held["job"],)).fetchall()
            yield self._made(held, faults)

    def _made(self, held: dict[str, object], faults: Sequence[tuple[str, ...]]) -> Entry:
        followed = held["followed"]
        try:
            data = {
                **{key: held[key] for key in ("job", "revision", "closed", "stage", "wiring",
                                              "unit", "serial", "age", "finding", "proof",
                                              "minutes", "cause", "told")},
                **{key: json.loads(str(held[key])) for key in ("parts", "seen", "suspects")},
                "entry": "case", "case": held["name"], "struck": bool(held["struck"]),
                "followed": None if followed is None else bool(followed),
                "faults": [{"part": p, "kind": k, "mode": m} for p, k, m in faults],
            }
            return replace(read_entry(data), sheet=str(held["sheet"]))
        except (InputError, ValueError, RecursionError) as error:
            raise damaged(self.path, f"entry {str(held['job'])[:40]}: {error}") from None

    def _write(self, entry: Entry) -> None:
        data = plain(entry)
        values = {
            **{key: data[key] for key in data if key in _COLUMNS},
            **{key: json.dumps(data[key], ensure_ascii=False) for key in
               ("parts", "seen", "suspects")},
            "name": entry.case, "sheet": entry.sheet, "digest": entry.digest,
        }
        self._link.execute("DELETE FROM cases WHERE job = ?", (entry.job,))
        self._link.execute(f"INSERT INTO cases ({', '.join(_COLUMNS)}) VALUES "
                           f"({_marks(_COLUMNS)})", [values[name] for name in _COLUMNS])
        self._link.executemany(
            "INSERT INTO faults VALUES (?, ?, ?, ?, ?)",
            [(entry.job, k, f.part, f.kind, f.mode) for k, f in enumerate(entry.faults)])

    def _service(self, job: str) -> Service | None:
        row = self._link.execute(
            "SELECT job, revision, struck, stage, wiring, years, hours, age, rates FROM service "
            "WHERE job = ?", (job,)).fetchone()
        if row is None:
            return None
        keys = ("job", "revision", "struck", "stage", "wiring", "years", "hours", "age")
        try:
            return read_service({**dict(zip(keys, row, strict=False)), "entry": "service",
                                 "struck": bool(row[2]), "rates": json.loads(row[-1])})
        except (InputError, ValueError, RecursionError) as error:
            raise damaged(self.path, f"time in service {str(job)[:40]}: {error}") from None

    def _write_service(self, one: Service) -> None:
        data = service_plain(one)
        self._link.execute("DELETE FROM service WHERE job = ?", (one.job,))
        self._link.execute(
            "INSERT INTO service VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (one.job, one.revision, int(one.struck), one.stage, one.wiring, one.years, one.hours,
             one.age, json.dumps(data["rates"], ensure_ascii=False), one.digest))


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))

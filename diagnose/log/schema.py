"""The file of the log: SQLite, what stands in which table, and how an older one is brought on.

A write is with the disk when it is acknowledged (WAL, ``synchronous=FULL``), so that whatever ends
the process or the machine loses nothing that was. A file that is damaged is told and left as it is.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

from circuits.errors import AmplifierError, InputError

MIGRATIONS: Sequence[str] = (
    """
    CREATE TABLE cases (
      job TEXT PRIMARY KEY, revision INTEGER NOT NULL, struck INTEGER NOT NULL,
      closed TEXT NOT NULL, name TEXT NOT NULL, stage TEXT NOT NULL, wiring TEXT NOT NULL,
      unit TEXT NOT NULL, serial TEXT NOT NULL, age REAL NOT NULL, finding TEXT NOT NULL,
      proof TEXT NOT NULL, minutes REAL, followed INTEGER, cause TEXT NOT NULL,
      parts TEXT NOT NULL, seen TEXT NOT NULL, told TEXT NOT NULL, suspects TEXT NOT NULL,
      sheet TEXT NOT NULL, digest TEXT NOT NULL
    ) STRICT;
    CREATE TABLE faults (
      job TEXT NOT NULL REFERENCES cases(job) ON DELETE CASCADE, number INTEGER NOT NULL,
      part TEXT NOT NULL, kind TEXT NOT NULL, mode TEXT NOT NULL, PRIMARY KEY (job, number)
    ) STRICT;
    CREATE TABLE service (
      job TEXT PRIMARY KEY, revision INTEGER NOT NULL, struck INTEGER NOT NULL,
      stage TEXT NOT NULL, wiring TEXT NOT NULL, years REAL NOT NULL, hours REAL NOT NULL,
      age REAL NOT NULL, rates TEXT NOT NULL, digest TEXT NOT NULL
    ) STRICT;
    CREATE INDEX cases_of_wiring ON cases(wiring);
    CREATE INDEX cases_of_serial ON cases(serial);
    """,
)
"""Each brings a file one version on; its ``user_version`` is how many were made."""
_WAIT = 10.0
"""Seconds that a write waits for that of another process."""


class Damaged(InputError):
    """A log that cannot be read: damaged, of a later version, or no log at all."""


class NotLogged(AmplifierError):
    """A log that the disk did not take, or that another process holds."""


def opened(path: Path, migrations: Sequence[str] = MIGRATIONS) -> sqlite3.Connection:
    """A connection to the log at a path, which is made where there is none.

    Raises
    ------
    Damaged
        For a file that is damaged, or written by a later version.
    NotLogged
        Where it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            raise Damaged(f"{path} is no file", expected="the case log")
        link = sqlite3.connect(path, timeout=_WAIT, isolation_level=None)
    except (OSError, sqlite3.Error) as error:
        raise NotLogged(f"the case log {path} cannot be opened: {error}") from None
    try:
        link.execute("PRAGMA trusted_schema=OFF")
        link.execute("PRAGMA cell_size_check=ON")
        version = int(link.execute("PRAGMA user_version").fetchone()[0])
        if version > len(migrations):
            raise Damaged(
                f"the case log {path} was written by a later version of this program",
                expected=f"version {len(migrations)} or below, and this is {version}")
        told = link.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if told != "ok":
            raise damaged(path, str(told))
        link.execute("PRAGMA journal_mode=WAL")
        link.execute("PRAGMA synchronous=FULL")
        link.execute("PRAGMA foreign_keys=ON")
        _bring_on(link, version, migrations)
    except sqlite3.OperationalError as error:
        link.close()
        raise NotLogged(f"the case log {path} cannot be used: {error}") from None
    except sqlite3.Error as error:
        link.close()
        raise damaged(path, str(error)) from None
    except BaseException:
        link.close()
        raise
    return link


def damaged(path: Path, what: str) -> Damaged:
    """The message about a damaged log."""
    return Damaged(f"the case log {path} is damaged: {what.splitlines()[0]}",
                   expected="a backup of it in its place (diagnose log backup writes one), "
                            "or --without-log")


def _bring_on(link: sqlite3.Connection, version: int, migrations: Sequence[str]) -> None:
    """Make the migrations that a file lacks, each whole or not at all."""
    for number in range(version, len(migrations)):
        link.execute("BEGIN IMMEDIATE")
        try:
            # another process may have been quicker
            if link.execute("PRAGMA user_version").fetchone()[0] == number:
                for statement in migrations[number].split(";"):
                    if statement.strip():
                        link.execute(statement)
                link.execute(f"PRAGMA user_version={number + 1}")
            link.execute("COMMIT")
        except BaseException:
            if link.in_transaction:
                link.execute("ROLLBACK")
            raise

"""The store against SQLite, and how soon Ctrl-C ends a ranking: ratios of one run on one machine.

Each round writes 2,000 units of 30 readings as they would come in, one by one and in lots of 20,
and reads them all as a new process would; both ways take turns, and the medians stand side by side.
SQLite has a write-ahead log, a row a unit, one transaction a lot, and a checksum of each row as
here. Then a ranking with an empty store is stopped at several moments, as Ctrl-C at a terminal
stops it.
Run: `python tests/benchmarks/store_speed.py [rounds]`.
"""

from __future__ import annotations

import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from faultlib.store import Store, mark

ROOT = Path(__file__).resolve().parents[2]
UNITS, READINGS = 2000, 30
NAMES = [f"gain; frequency={k}.0" for k in range(READINGS)]
MARKS = [mark(f"unit {k}") for k in range(UNITS)]
VALUES = np.random.default_rng(0).normal(size=(UNITS, READINGS))
MOMENTS = (0.3, 1.0, 2.0, 4.0)
"""s after its start at which a ranking is stopped."""
GOAL = 0.3
"""s within which it ends."""
FOREGROUND = ("import os, signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
              "os.execvp(sys.argv[1], sys.argv[1:])")


def write_own(folder: Path, lot: int) -> None:
    shelf = Store(folder).shelf("ab12")
    for k in range(0, UNITS, lot):
        shelf.keep(MARKS[k : k + lot], NAMES, VALUES[k : k + lot], {})


def read_own(folder: Path) -> int:
    return int(Store(folder).shelf("ab12").known(MARKS, NAMES).known.sum())


def _opened(folder: Path) -> sqlite3.Connection:
    base = sqlite3.connect(folder / "base", isolation_level=None)
    base.execute("pragma journal_mode=wal")
    base.execute("pragma synchronous=normal")
    base.execute("create table if not exists units(unit blob primary key, row blob, sum blob) "
                 "without rowid")
    return base


def _sum(row: bytes) -> bytes:
    return hashlib.blake2b(row, digest_size=8).digest()


def write_sqlite(folder: Path, lot: int) -> None:
    base = _opened(folder)
    for k in range(0, UNITS, lot):
        base.execute("begin immediate")
        rows = [(MARKS[i], row, _sum(row)) for i in range(k, k + lot)
                if (row := VALUES[i].tobytes())]
        base.executemany("insert or replace into units values (?, ?, ?)", rows)
        base.execute("commit")
    base.close()


def read_sqlite(folder: Path) -> int:
    base = _opened(folder)
    found = {unit: np.frombuffer(row) for unit, row, check in base.execute("select * from units")
             if _sum(row) == check}
    base.close()
    return len(np.array([found[unit] for unit in MARKS]))


def milliseconds(work: Callable[..., object], *given: object) -> float:
    began = time.perf_counter()
    work(*given)
    return 1e3 * (time.perf_counter() - began)


def stores(rounds: int) -> None:
    ways = {"own": (write_own, read_own), "sqlite": (write_sqlite, read_sqlite)}
    print(f"{'units of 30 readings':24} {'own ms':>8} {'SQLite ms':>10} {'SQLite / own':>13}")
    for lot in (1, 20):
        taken: dict[tuple[str, str], list[float]] = {}
        for _ in range(rounds):
            for name, (write, read) in ways.items():
                with tempfile.TemporaryDirectory() as folder:
                    path = Path(folder)
                    taken.setdefault((name, "written"), []).append(milliseconds(write, path, lot))
                    taken.setdefault((name, "read"), []).append(milliseconds(read, path))
                    if read(path) != UNITS:
                        raise RuntimeError(f"{name} lost units")
        for what in ("written", "read"):
            own, other = (median(taken[name, what]) for name in ways)
            print(f"{f'{UNITS} {what}, lots of {lot}':24} {own:8.1f} {other:10.1f} "
                  f"{other / own:13.1f}")


def stopped(after: float) -> float:
    """Seconds from Ctrl-C to the end of a ranking with an empty store."""
    case = str(ROOT / "examples" / "hall-record-hum.yaml")
    with tempfile.TemporaryDirectory() as store:
        run = subprocess.Popen(
            [sys.executable, "-c", FOREGROUND, sys.executable, "-m", "diagnose", "rank", case],
            env={**os.environ, "AMP_DIAGNOSE_CACHE": store, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )
        time.sleep(after)
        if run.poll() is not None:
            return float("nan")
        began = time.perf_counter()
        os.killpg(run.pid, signal.SIGINT)
        run.wait()
        return time.perf_counter() - began


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}, {rounds} rounds")
    stores(rounds)
    for after in MOMENTS:
        worst = max(stopped(after) for _ in range(3))
        print(f"Ctrl-C {after:g} s after the start: ends within {worst:.2f} s, goal {GOAL:g} s"
              + ("  over" if worst > GOAL else ""))


if __name__ == "__main__":
    main()

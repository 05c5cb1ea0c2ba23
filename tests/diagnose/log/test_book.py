"""The log in its file: what is put in is there, merges agree, and no kill loses what was told."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from circuits.errors import AmplifierError, InputError
from diagnose.log.book import Log, Merged
from diagnose.log.entry import Entry
from diagnose.log.learning import learnt
from diagnose.log.schema import MIGRATIONS, Damaged, NotLogged, opened
from faultlib.learnt import Count
from tests.diagnose.log.jobs import ENTRIES, job

ROOT = Path(__file__).resolve().parents[3]


def log(tmp_path: Path, name: str = "log.sqlite") -> Log:
    return Log(tmp_path / "made" / name)


def test_what_is_put_in_is_there(tmp_path: Path) -> None:
    with log(tmp_path) as book:
        for number in range(3):
            book.put(job(number, sheet="/some/where.yaml"))
    with log(tmp_path) as book:
        assert book.entries() == [job(n, sheet="/some/where.yaml") for n in (2, 1, 0)]
        assert book.entry(job(1).job) == job(1, sheet="/some/where.yaml")
        with pytest.raises(InputError, match="several"):
            book.entry("00000000")
        with pytest.raises(InputError, match="no entry"):
            book.entry("")


def test_a_job_that_is_closed_again_is_one_entry_of_a_higher_revision(tmp_path: Path) -> None:
    with log(tmp_path) as book:
        book.put(job(1))
        again = book.put(job(1, minutes=99.0))
        assert again.revision == 2
        assert book.entries() == [again]
        struck = book.strike(job(1).job[:36])
        assert book.entries() == []
        assert book.entries(struck=True) == [struck]
        assert book.merge([job(1)]) == Merged(0, 0, 1)
        assert book.entries() == []


def test_the_file_is_kept_as_it_was_asked_for(tmp_path: Path) -> None:
    """The settings that the issue names, read back by another connection."""
    with log(tmp_path) as book:
        book.put(job(1))
        assert book._link.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL, by the manual
        link = sqlite3.connect(book.path)
        assert link.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert link.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
        strict = link.execute("SELECT name, strict FROM pragma_table_list WHERE type = 'table' "
                              "AND schema = 'main' AND name NOT LIKE 'sqlite_%'").fetchall()
        assert {name for name, _ in strict} == {"cases", "faults", "service"}
        assert all(flag for _, flag in strict)
        link.close()


def test_an_older_file_is_brought_on_with_what_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path) as book:
        book.put(job(1))
    later = (*MIGRATIONS, "CREATE TABLE more (a TEXT) STRICT; INSERT INTO more VALUES ('new');")
    link = opened(path, later)
    assert link.execute("SELECT a FROM more").fetchall() == [("new",)]
    assert link.execute("SELECT job FROM cases").fetchall() == [(job(1).job,)]
    link.close()
    before = path.read_bytes()
    with pytest.raises(Damaged, match="later version"):
        Log(path)
    assert path.read_bytes() == before


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    Log(path).close()
    with pytest.raises(AmplifierError):
        opened(path, (*MIGRATIONS, "CREATE TABLE more (a TEXT) STRICT; NONSENSE;"))
    link = sqlite3.connect(path)
    assert link.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
    assert not link.execute("SELECT * FROM sqlite_schema WHERE name = 'more'").fetchall()
    link.close()


@pytest.mark.parametrize("harm", ["head", "middle", "cut", "text", "folder", "cell"])
def test_damage_is_told_and_left_alone(tmp_path: Path, harm: str) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path) as book:
        book.merge([job(n) for n in range(60)])
    body = bytearray(path.read_bytes())
    assert len(body) > 30_000
    if harm == "head":
        body[:100] = os.urandom(100)
    elif harm == "middle":
        body[4096:24000] = b"\x5a" * (24000 - 4096)
    elif harm == "cut":
        body = body[: len(body) // 2]
    elif harm == "text":
        body = bytearray(b"closed jobs\n" * 500)
    elif harm == "cell":
        link = sqlite3.connect(path)
        link.execute("UPDATE cases SET seen = '[{' WHERE name = 'job 7'")
        link.commit()
        link.close()
        body = bytearray(path.read_bytes())
    if harm == "folder":
        path.unlink()
        path.mkdir()
    else:
        path.write_bytes(body)
    with pytest.raises(Damaged), Log(path) as book:
        book.entries()
    if harm != "folder":
        assert path.read_bytes() == bytes(body)


def test_a_log_that_another_holds_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("diagnose.log.schema._WAIT", 0.05)
    with log(tmp_path) as book, log(tmp_path) as other:
        book._link.execute("BEGIN IMMEDIATE")
        with pytest.raises(NotLogged, match="locked"):
            other.put(job(1))
        book._link.execute("ROLLBACK")
        other.put(job(1))


def test_a_merge_is_whole_or_not_at_all(tmp_path: Path) -> None:
    def half() -> Sequence[Entry]:
        yield job(1)  # type: ignore[misc]  # a generator does
        raise InputError("the file ends here")

    with log(tmp_path) as book:
        with pytest.raises(InputError, match="ends here"):
            book.merge(half())
        assert book.entries() == []


@pytest.mark.slow
@settings(max_examples=12, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(entries=st.lists(ENTRIES, max_size=6), order=st.randoms(use_true_random=False))
def test_whoever_merges_what_with_what_comes_to_the_same(
    tmp_path: Path, entries: list[Entry], order: random.Random
) -> None:
    """The greater of two versions: commutes, associates, and doubles nothing."""
    made = []
    for _ in range(2):
        shutil.rmtree(tmp_path / "made", ignore_errors=True)
        with log(tmp_path) as book:
            mixed = [*entries, *entries]
            order.shuffle(mixed)
            while mixed:  # in pieces, as logs come
                cut = order.randint(1, len(mixed))
                book.merge(mixed[:cut])
                mixed = mixed[cut:]
            made.append(book.entries(struck=True))
    assert made[0] == made[1]
    best = {e.job: e for e in sorted(entries, key=lambda e: e.rank)}
    assert {e.job: e for e in made[0]} == best


def test_the_serial_number_is_not_lost_to_a_version_without(tmp_path: Path) -> None:
    with log(tmp_path) as book:
        book.put(job(1))
        book.merge([job(1, serial="")])
        assert book.entry(job(1).job).serial == "no. 1"


def test_only_what_is_proved_is_learnt_from(tmp_path: Path) -> None:
    with log(tmp_path) as book:
        book.merge([job(1), job(2, proof="swapped"), job(3, proof="not proved"),
                    job(4, finding="not in the library", faults=()), job(5, struck=True),
                    job(6, age=12.0, proof="readings after")])
        told = learnt(book)
        assert told.counts == (Count("electrolytic", "open", 12.0, 1),
                               Count("electrolytic", "open", 40.0, 2))
        assert told.cases == 3
        # an answer on a unit does not rest on what it turned out to be itself
        assert learnt(book, job(1).job).cases == 2


def test_a_backup_is_the_log(tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    with log(tmp_path) as book:
        book.merge([job(n) for n in range(5)])
        book.backup(copy)
        with pytest.raises(InputError, match="exists"):
            book.backup(copy)
        with pytest.raises(InputError, match="cannot be written"):
            book.backup(tmp_path / "nowhere" / "copy.sqlite")
        kept = book.entries()
    with Log(copy) as other:
        assert other.entries() == kept
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


WRITER = """
import sys, uuid
from pathlib import Path
from diagnose.log.book import Log
from diagnose.log.entry import Entry
with Log(Path(sys.argv[1])) as log:
    for number in range(int(sys.argv[2]), 10**6):
        log.put(Entry(str(uuid.UUID(int=number)), "2026-03-01T10:00:00Z", "coupling", "w",
                      "nothing wrong", "measured", case=f"job {number}"))
        print(number, flush=True)
"""


@pytest.mark.slow
def test_no_kill_loses_an_entry_that_was_acknowledged(tmp_path: Path) -> None:
    """A process that writes is killed at random moments; what it told is there, whole."""
    path, told, chance = tmp_path / "log.sqlite", 0, random.Random(5)
    for _ in range(4):
        with subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(told)], cwd=ROOT,
                              stdout=subprocess.PIPE, text=True) as run:
            assert run.stdout is not None
            first = run.stdout.readline()
            time.sleep(chance.uniform(0.0, 0.05))
            run.send_signal(signal.SIGKILL)
            # the last may have been cut
            lines = [first, *run.stdout.read().split("\n")[:-1]]
        told = max([told, *(int(line) for line in lines)])
        with Log(path) as book:  # checks the whole file
            held = {entry.case for entry in book.entries()}
        assert {f"job {n}" for n in range(told + 1)} <= held
    assert told > 4  # or nothing was written between the kills


def test_times_in_service_are_kept_and_handed_on(tmp_path: Path) -> None:
    from circuits.load import load_stage
    from diagnose.log.service import in_service

    stage = load_stage(ROOT / "tests" / "data" / "coupling.yaml")
    one = in_service(stage, 250.0, 1000.0, 40.0)
    with log(tmp_path) as book:
        book.serve(one)
        assert book.merge([one]) == Merged(0, 0, 1)
        assert book.services() == [one]
        # 250 units for a year of 1000 h are a quarter of 10⁶ h; two of the three are of this stage
        book.merge([job(1), job(2), job(3, stage="another", wiring="x")])
        served = {s.kind: s for s in learnt(book).served}
        assert served["electrolytic"].failed == 2
        assert served["electrolytic"].expected == pytest.approx(
            dict(one.rates)["electrolytic"] * 0.25)
    with pytest.raises(InputError, match="no number of years"):
        in_service(stage, 0.0, 1000.0, 40.0)


def test_a_struck_version_wins_over_the_one_that_it_struck(tmp_path: Path) -> None:
    with log(tmp_path) as book:
        book.merge([replace(job(1), struck=True, revision=2)])
        book.merge([job(1)])
        assert book.entries() == []

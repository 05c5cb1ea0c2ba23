"""The store of simulated values: whatever happens to its files, it is never believed wrongly.

A value that a file does not hold in full is simulated again; the reference is what was saved.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlib import store as module
from faultlib.records import Records, whole_records
from faultlib.store import Memory, Store, default_folder, digest, mark

ROOT = Path(__file__).resolve().parents[2]
KEY, OTHER = digest("a stage"), digest("another stage")
NAMES = ("gain; frequency=1000.0", "dc voltage; at='c1'", "µ – Ω")
UNITS = [mark("healthy"), mark("C1 open"), mark("C1 short")]
VALUES = np.array([[35.4, -0.0, 0.1 + 0.2], [1e-300, math.nan, -7.0], [math.nan] * 3])
REASONS = {1: "no finite value", 2: "no operating point"}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = Store(tmp_path)
    made.shelf(KEY).keep(UNITS, NAMES, VALUES, REASONS)
    return made


def known(folder: Path, key: str = KEY, names: Sequence[str] = NAMES) -> module.Known:
    """What a process that starts now knows."""
    return Store(folder).shelf(key).known(UNITS, names)


def entry(folder: Path) -> Path:
    (one,) = [p for p in folder.rglob("*") if p.is_file()]
    return one


def believed(found: module.Known, folder: str = "") -> int:
    """How many units are known; each as it was saved, or the test fails."""
    for k in np.flatnonzero(found.known):
        np.testing.assert_array_equal(found.values[k], VALUES[k], folder)
        assert found.reasons.get(int(k), ()) == ((REASONS[k],) if k in REASONS else ())
    return int(found.known.sum())


def test_what_was_saved_comes_back_to_the_last_bit(store: Store, tmp_path: Path) -> None:
    found = known(tmp_path)
    assert found.known.all()
    assert found.values.tobytes() == VALUES.tobytes()  # minus zero, and no rounding
    assert found.reasons == {1: ("no finite value",), 2: ("no operating point",)}
    assert not known(tmp_path, OTHER).known.any()
    here = store.shelf(KEY).known(UNITS, NAMES)
    assert here.values.tobytes() == VALUES.tobytes()


def test_what_was_known_first_stays(store: Store, tmp_path: Path) -> None:
    """Whoever looks twice has the same answer, whatever another process adds between."""
    other = Store(tmp_path).shelf(KEY)
    assert other.known(UNITS, NAMES).known.all()
    nearly = np.nextafter(VALUES, np.inf)
    other.keep(UNITS[:1], NAMES, nearly[:1], {})
    other.keep(UNITS[:1], NAMES[:1], nearly[:1, :1], {})  # asked with other readings
    for shelf in (store.shelf(KEY), other, Store(tmp_path).shelf(KEY)):
        assert shelf.known(UNITS[:1], NAMES).values.tobytes() == VALUES[:1].tobytes()
        assert shelf.known(UNITS[:1], NAMES[:1]).values.tobytes() == VALUES[:1, :1].tobytes()
    # and what had no value gets one
    other.keep(UNITS[1:2], NAMES, np.full((1, 3), 2.0), {})
    found = Store(tmp_path).shelf(KEY).known(UNITS[1:2], NAMES)
    assert found.values.tolist() == [[VALUES[1, 0], 2.0, VALUES[1, 2]]]
    assert found.reasons == {}


def test_a_key_is_the_sha256_of_its_content() -> None:
    """FIPS 180-4, the example "abc"."""
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_some_readings_are_known_of_units_in_any_order(store: Store, tmp_path: Path) -> None:
    found = known(tmp_path, names=NAMES[1::-1])
    np.testing.assert_array_equal(found.values[:2], VALUES[:2, 1::-1])
    # of the last it is known only that not all three have a value
    assert found.known.tolist() == [True, True, False]
    assert found.reasons == {1: ("no finite value",)}
    assert known(tmp_path, names=(NAMES[2], NAMES[0], NAMES[1])).known.all()
    assert known(tmp_path, names=(NAMES[0], NAMES[2])).reasons == {}
    assert not known(tmp_path, names=(*NAMES, "more")).known.any()


def test_readings_of_several_runs_are_put_together(store: Store, tmp_path: Path) -> None:
    store.shelf(KEY).keep(UNITS[:1], ("new",), np.array([[1.5]]), {})
    found = known(tmp_path, names=("new", *NAMES))
    assert found.known.tolist() == [True, False, False]
    assert found.values[0].tolist() == [1.5, *VALUES[0]]


def test_a_value_is_never_replaced_by_none(tmp_path: Path) -> None:
    for made in (Store(tmp_path), Memory()):
        shelf = made.shelf(KEY)
        for row in ([1.0, math.nan], [math.nan, math.nan], [math.nan, 2.0]):
            lost = {0: "none"} if math.nan in row else {}
            shelf.keep(UNITS[:1], NAMES[:2], np.array([row]), lost)
        found = shelf.known(UNITS[:1], NAMES[:2])
        assert found.values.tolist() == [[1.0, 2.0]]
        assert found.reasons == {}


def test_nothing_to_keep_is_no_file(tmp_path: Path) -> None:
    Store(tmp_path).shelf(KEY).keep([], NAMES, np.empty((0, 3)), {})
    assert list(tmp_path.iterdir()) == []


# -- whatever happens to the file ------------------------------------------------------------------


def one_by_one(folder: Path) -> Path:
    """A file with a record for each unit."""
    shelf = Store(folder).shelf(KEY)
    for k, unit in enumerate(UNITS):
        shelf.keep([unit], NAMES, VALUES[k : k + 1], {0: REASONS[k]} if k in REASONS else {})
    return entry(folder)


def test_a_truncated_file_has_what_came_before(tmp_path: Path) -> None:
    path = one_by_one(tmp_path)
    whole = path.read_bytes()
    counts = []
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        counts.append(believed(known(tmp_path), f"{length}"))
    assert sorted(counts) == counts
    assert set(counts) == {0, 1, 2}
    path.write_bytes(whole)
    assert believed(known(tmp_path)) == 3


def test_a_flipped_bit_costs_one_record(tmp_path: Path) -> None:
    path = one_by_one(tmp_path)
    whole = path.read_bytes()
    lost = []
    for place in range(len(whole)):
        flipped = bytearray(whole)
        flipped[place] ^= 1 << place % 8
        path.write_bytes(flipped)
        lost.append(3 - believed(known(tmp_path), f"{place}"))
    assert set(lost) == {1, 3}  # three where it is the record that names the readings


def test_what_was_cut_short_is_passed_over_and_simulated_anew(tmp_path: Path) -> None:
    """As after a kill in the middle of a write, with other runs before and after."""
    path = one_by_one(tmp_path)
    path.write_bytes(path.read_bytes()[:-9])
    assert believed(known(tmp_path)) == 2
    Store(tmp_path).shelf(KEY).keep(UNITS[2:], NAMES, VALUES[2:], {0: REASONS[2]})
    assert believed(known(tmp_path)) == 3


def test_rows_whose_readings_are_lost_are_nothing_until_they_are_named_again(
    tmp_path: Path
) -> None:
    path = one_by_one(tmp_path)
    changed = bytearray(path.read_bytes())
    changed[30] ^= 1  # in the first record
    path.write_bytes(changed)
    shelf = Store(tmp_path).shelf(KEY)
    assert not shelf.known(UNITS, NAMES).known.any()
    shelf.keep(UNITS[:1], NAMES, VALUES[:1], {})
    assert believed(known(tmp_path)) == 1


@given(st.binary(max_size=300))
def test_any_bytes_do(content: bytes) -> None:
    assert whole_records(content, b"key") == ([], 0)


@given(st.lists(st.one_of(st.binary(max_size=40), st.integers(0, 9)), max_size=12))
def test_whole_records_are_found_between_anything(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes | int]
) -> None:
    """Whatever else is in a file, also what begins like a record."""
    path = tmp_path_factory.mktemp("any") / "file"
    wanted = []
    for piece in pieces:
        if isinstance(piece, int):
            before = path.stat().st_size if path.exists() else 0
            body = bytes([piece]) * piece * 7
            Records(path, b"key").append(body)
            if piece % 3 == 2:  # cut short
                os.truncate(path, (before + path.stat().st_size) // 2)
            else:
                wanted.append(body)
        else:
            with path.open("ab") as file:
                file.write(piece)
    assert Records(path, b"key").fresh() == wanted
    assert Records(path, b"another").fresh() == []


def test_a_file_of_another_form_or_name_is_not_believed(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = entry(tmp_path)
    other = tmp_path / f"{OTHER[:40]}{path.suffix}"
    other.write_bytes(path.read_bytes())
    assert not known(tmp_path, OTHER).known.any()
    assert known(tmp_path).known.all()
    monkeypatch.setattr(module, "_FORMAT", "amplifier-fault-diagnosis/units/0")
    assert not known(tmp_path).known.any()


def test_what_others_add_meanwhile_is_seen(store: Store, tmp_path: Path) -> None:
    shelf = Store(tmp_path).shelf(KEY)
    unit = mark("C2 open")
    assert not shelf.known([unit], NAMES).known.any()
    store.shelf(KEY).keep([unit], NAMES, VALUES[:1], {})
    assert shelf.known([unit], NAMES).known.all()


def test_a_store_that_is_deleted_meanwhile_goes_on(store: Store, tmp_path: Path) -> None:
    """It may be deleted at any time, says the README."""
    entry(tmp_path).unlink()
    shelf = store.shelf(KEY)
    assert believed(shelf.known(UNITS, NAMES)) == 3
    shelf.keep(UNITS[:1], NAMES, VALUES[:1], {})
    assert believed(known(tmp_path)) == 1


def test_a_folder_in_place_of_the_file_costs_only_time(tmp_path: Path) -> None:
    blocked = tmp_path / f"{KEY[:40]}.units"
    blocked.mkdir(parents=True)
    store = Store(tmp_path)
    store.shelf(KEY).keep(UNITS, NAMES, VALUES, REASONS)
    assert believed(store.shelf(KEY).known(UNITS, NAMES)) == 3  # this process knows
    assert not known(tmp_path).known.any()


def test_a_file_in_place_of_the_folder_costs_only_time(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("not a folder")
    Store(tmp_path / "cache").shelf(KEY).keep(UNITS, NAMES, VALUES, REASONS)
    assert not known(tmp_path / "cache").known.any()
    assert (tmp_path / "cache").read_text() == "not a folder"


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_folder_that_may_not_be_written_is_read(store: Store, tmp_path: Path) -> None:
    entry(tmp_path).chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        locked = Store(tmp_path)
        locked.shelf(KEY).keep([mark("more")], NAMES, VALUES[:1], {})
        assert believed(known(tmp_path)) == 3
        found = Store(tmp_path).shelf(KEY).known([mark("more")], NAMES)
        assert found.known.all() == (os.geteuid() == 0)  # root may write where nobody else may
    finally:
        tmp_path.chmod(stat.S_IRWXU)


FULL = """
import resource, signal, sys
from pathlib import Path
import numpy as np
from faultlib.store import Store, mark
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
shelf = Store(Path(sys.argv[1])).shelf("ab12")
units = [mark(str(k)) for k in range(100)]
for k, unit in enumerate(units):
    shelf.keep([unit], ["a", "b"], np.array([[k, -k]], dtype=float), {})
found = shelf.known(units, ["a", "b"])
assert found.known.all() and found.values[:, 0].tolist() == list(range(100))
"""


@pytest.mark.skipif(os.name != "posix", reason="limits of POSIX")
def test_a_full_disk_costs_only_time(tmp_path: Path) -> None:
    """A limit on the size of files, behind which writes are short and then fail (setrlimit)."""
    subprocess.run([sys.executable, "-c", FULL, str(tmp_path)], check=True, cwd=ROOT, timeout=60)
    units = [mark(str(k)) for k in range(100)]
    found = Store(tmp_path).shelf("ab12").known(units, ["a", "b"])
    count = int(found.known.sum())
    assert 20 < count < 100
    assert found.known[:count].all()
    np.testing.assert_array_equal(found.values[:count, 1], -np.arange(count))
    # once there is room, the rest is added behind the half record
    shelf = Store(tmp_path).shelf("ab12")
    rest = np.array([[k, -k] for k in range(count, 100)], dtype=float)
    shelf.keep(units[count:], ["a", "b"], rest, {})
    assert Store(tmp_path).shelf("ab12").known(units, ["a", "b"]).known.all()


def test_no_folder_keeps_nothing() -> None:
    store = Store(None)
    store.shelf(KEY).keep(UNITS, NAMES, VALUES, REASONS)
    assert not store.shelf(KEY).known(UNITS, NAMES).known.any()


def test_memory_keeps_as_long_as_it_lives() -> None:
    memory = Memory()
    memory.shelf(KEY).keep(UNITS, NAMES, VALUES, REASONS)
    assert believed(memory.shelf(KEY).known(UNITS, NAMES)) == 3
    assert not memory.shelf(OTHER).known(UNITS, NAMES).known.any()
    assert not Memory().shelf(KEY).known(UNITS, NAMES).known.any()


# -- its size --------------------------------------------------------------------------------------


def test_the_files_used_least_recently_go_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for age, key in enumerate("abcd"):
        Store(tmp_path).shelf(digest(key)).keep(UNITS, NAMES, VALUES, REASONS)
        path = tmp_path / f"{digest(key)[:40]}.units"
        os.utime(path, (1e9 - age, 1e9 - age))
    size = path.stat().st_size
    assert known(tmp_path, digest("d")).known.all()  # the oldest is used again
    monkeypatch.setattr(module, "LIMIT", 3 * size)
    Store(tmp_path).shelf(OTHER)
    left = {key for key in "abcd" if known(tmp_path, digest(key)).known.all()}
    assert left == {"a", "b", "d"}


def test_a_file_that_has_grown_too_large_is_begun_anew(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LARGEST", entry(tmp_path).stat().st_size)
    assert known(tmp_path).known.all()
    monkeypatch.setattr(module, "LARGEST", entry(tmp_path).stat().st_size - 1)
    assert not known(tmp_path).known.any()
    assert list(tmp_path.iterdir()) == []


def test_what_the_first_form_kept_is_cleared_away(tmp_path: Path) -> None:
    """A file a fault it was, in folders of two digits; whatever else lies there stays."""
    for folder in ("0a", "ff", "drawings", "zz"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / f"{digest('x')[2:]}.json").write_text("old")
    mine = tmp_path / "ff" / "mine.json"
    mine.write_text("a user's")
    Store(tmp_path).shelf(KEY)
    left = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()}
    assert left == {"ff/mine.json", *(f"{f}/{digest('x')[2:]}.json" for f in ("drawings", "zz"))}
    assert not (tmp_path / "0a").exists()


# -- where it is -----------------------------------------------------------------------------------


def test_the_folder_is_the_users_choice(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """XDG Base Directory Specification: default ~/.cache; a relative value is ignored."""
    for name in ("AMP_DIAGNOSE_CACHE", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    usual = tmp_path / ".cache" / "amplifier-fault-diagnosis"
    assert default_folder() == usual
    for ignored in ("", "relative/cache"):
        monkeypatch.setenv("XDG_CACHE_HOME", ignored)
        assert default_folder() == usual
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert default_folder() == tmp_path / "xdg" / "amplifier-fault-diagnosis"
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "own"))
    assert default_folder() == tmp_path / "own"


def test_an_account_without_a_home_has_a_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("AMP_DIAGNOSE_CACHE", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    assert default_folder().is_absolute()


# -- several runs at once, and kills ---------------------------------------------------------------

ROUNDS = 60
KEYS = [digest(f"shared {k}") for k in range(3)]


def value_of(key: str, unit: str, reading: str) -> float:
    """What every process would find for it: a number that no mix-up would give."""
    return int(digest(f"{key} {unit} {reading}")[:12], 16) / 7.0


def busy(folder: str, who: int, wrong: multiprocessing.SimpleQueue[str]) -> None:
    """Save and load the same keys over and over, as two runs of one case would."""
    store = Store(Path(folder))
    random = np.random.default_rng(who)
    for turn in range(ROUNDS):
        key = KEYS[int(random.integers(len(KEYS)))]
        shelf = store.shelf(key)
        units = [f"unit {k}" for k in random.choice(20, 4, replace=False)]
        names = [f"reading {random.integers(3)} {k}" for k in range(8)]
        rows = np.array([[value_of(key, unit, name) for name in names] for unit in units])
        shelf.keep(list(map(mark, units)), names, rows, {})
        everything = [f"unit {k}" for k in range(20)]
        found = shelf.known(list(map(mark, everything)), names)
        if found.known.sum() < 4:
            wrong.put(f"{who}, turn {turn}: unreadable")
        for unit, row in zip(everything, found.values, strict=True):
            for name, x in zip(names, row, strict=True):
                if not math.isnan(x) and x != value_of(key, unit, name):
                    wrong.put(f"{who}, turn {turn}: {unit} {name} is {x}")


@pytest.mark.slow
def test_runs_at_once_lose_nothing_and_mix_nothing_up(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    wrong = context.SimpleQueue()
    runs = [context.Process(target=busy, args=(str(tmp_path), who, wrong)) for who in range(3)]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
        assert run.exitcode == 0
    assert wrong.empty()
    # every record of every run is whole
    rows = 0
    for key in KEYS:
        path = tmp_path / f"{key[:40]}.units"
        raw = path.read_bytes()
        bodies, end = whole_records(raw, mark(f"{module._FORMAT} {key}"))
        assert end == len(raw)
        rows += sum(body[:1] == b"R" for body in bodies)
    assert rows == 3 * ROUNDS


KILLED = """
import sys
from pathlib import Path
import numpy as np
from faultlib.store import Store, mark
shelf = Store(Path(sys.argv[1])).shelf("ab12")
names = [f"reading {k}" for k in range(30)]
for k in range(10**6):
    shelf.keep([mark(str(k))], names, np.full((1, 30), float(k)), {})
    print(k, flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_kill_loses_no_more_than_the_unit_at_hand(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], cwd=ROOT,
                          stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        run.stdout.readline()
        time.sleep(0.3)
        run.send_signal(signal.SIGKILL)
        told = [int(line) for line in run.stdout.read().split()]
    names = [f"reading {k}" for k in range(30)]
    units = [mark(str(k)) for k in range(told[-1] + 2)]
    found = Store(tmp_path).shelf("ab12").known(units, names)
    assert found.known[: told[-1] + 1].all()
    np.testing.assert_array_equal(found.values[: told[-1] + 1, 7], np.arange(told[-1] + 1))

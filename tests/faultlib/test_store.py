"""The store of simulated values: whatever happens to its files, it is never believed wrongly.

A value that a file does not hold in full is simulated again; the reference is what was saved.
"""

from __future__ import annotations

import hashlib
import json
import math
import multiprocessing
import os
import stat
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlib.store import FORMAT, Memory, Store, Table, default_folder, digest

TABLE: Table = {
    "healthy": {"gain; frequency=1000.0": 35.4, "dc voltage; at='c1'": -0.0},
    "C1 open": {"gain; frequency=1000.0": 1e-300, "dc voltage; at='c1'": None},
    "µ – Ω": {"x": 0.1 + 0.2},
}
KEY = digest("a stage")
OTHER = digest("another stage")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = Store(tmp_path)
    made.save(KEY, TABLE)
    return made


def entry(folder: Path) -> Path:
    (one,) = [p for p in folder.rglob("*") if p.is_file()]
    return one


def test_what_was_saved_comes_back_to_the_last_bit(store: Store) -> None:
    found = store.load(KEY)
    assert found == TABLE
    assert repr(found["healthy"]["dc voltage; at='c1'"]) == "-0.0"
    assert store.load(OTHER) == {}


def test_nothing_found_is_kept_apart_from_no_number(store: Store) -> None:
    """None is "no solution"; a NaN stays one and is not taken for it."""
    store.save(KEY, {"odd": {"a": math.nan, "b": None, "c": math.inf}})
    odd = store.load(KEY)["odd"]
    assert odd["b"] is None
    assert odd["a"] is not None
    assert math.isnan(odd["a"])
    assert odd["c"] == math.inf


def test_a_key_is_the_sha256_of_its_content() -> None:
    """FIPS 180-4, the example "abc"."""
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_saving_adds(store: Store) -> None:
    store.save(KEY, {"healthy": {"new": 1.0}, "more": {"x": 2.0}})
    assert store.load(KEY) == {**TABLE, "healthy": {**TABLE["healthy"], "new": 1.0},
                               "more": {"x": 2.0}}
    store.save(KEY, {})
    assert len(store.load(KEY)) == 4


def test_every_truncation_is_found(store: Store, tmp_path: Path) -> None:
    path = entry(tmp_path)
    whole = path.read_bytes()
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        assert store.load(KEY) == {}, length
    path.write_bytes(whole)
    assert store.load(KEY) == TABLE


def test_every_flipped_bit_is_found(store: Store, tmp_path: Path) -> None:
    path = entry(tmp_path)
    whole = path.read_bytes()
    for place in range(len(whole)):
        for bit in (0, 5):
            flipped = bytearray(whole)
            flipped[place] ^= 1 << bit
            path.write_bytes(flipped)
            assert store.load(KEY) == {}, (place, bit)


@given(st.binary(max_size=300))
def test_any_bytes_do(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    folder = tmp_path_factory.mktemp("any")
    path = folder / KEY[:2] / f"{KEY[2:]}.json"
    path.parent.mkdir()
    path.write_bytes(content)
    assert Store(folder).load(KEY) == {}


def signed(key: str, body: bytes, form: str = FORMAT) -> bytes:
    return f"{form} {key} {hashlib.sha256(body).hexdigest()}\n".encode() + body


BODY = json.dumps({"healthy": {"x": 1.0}}).encode()


def test_an_entry_by_hand_is_read(store: Store, tmp_path: Path) -> None:
    """The control of the next test: its files differ from this one in one thing each."""
    entry(tmp_path).write_bytes(signed(KEY, BODY))
    assert store.load(KEY) == {"healthy": {"x": 1.0}}


@pytest.mark.parametrize(
    "content",
    [
        signed(KEY, BODY, "amplifier-fault-diagnosis/signature/0"),
        signed(KEY, BODY, "somebody-else/1"),
        signed(OTHER, BODY),
        signed(KEY, BODY) + b"\n",
        BODY,
        b"",
        signed(KEY, b""),
        signed(KEY, b"[1, 2]"),
        signed(KEY, b"null"),
        signed(KEY, b"{not json"),
        signed(KEY, b'{"healthy": 3}'),
        signed(KEY, b'{"healthy": {"x": "3.0 dB"}}'),
        signed(KEY, b'{"healthy": {"x": [1]}}'),
        signed(KEY, b"\xff\xfe"),
    ],
    ids=["older format", "foreign format", "other key", "longer", "no header", "empty", "no body",
         "a list", "null", "no json", "no rows", "text", "list for number", "no text"],
)
def test_a_file_that_is_not_ours_is_not_believed_and_gets_replaced(
    store: Store, tmp_path: Path, content: bytes
) -> None:
    entry(tmp_path).write_bytes(content)
    assert store.load(KEY) == {}
    store.save(KEY, TABLE)
    assert store.load(KEY) == TABLE


def test_a_file_under_another_name_is_not_believed(store: Store, tmp_path: Path) -> None:
    moved = tmp_path / OTHER[:2] / f"{OTHER[2:]}.json"
    moved.parent.mkdir(exist_ok=True)
    entry(tmp_path).rename(moved)
    assert store.load(OTHER) == {}


def test_a_folder_in_place_of_the_file_costs_only_time(tmp_path: Path) -> None:
    blocked = tmp_path / KEY[:2] / f"{KEY[2:]}.json"
    blocked.mkdir(parents=True)
    store = Store(tmp_path)
    store.save(KEY, TABLE)
    assert store.load(KEY) == {}
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_file_in_place_of_the_folder_costs_only_time(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("not a folder")
    store = Store(tmp_path / "cache")
    store.save(KEY, TABLE)
    assert store.load(KEY) == {}
    assert (tmp_path / "cache").read_text() == "not a folder"


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_folder_that_may_not_be_written_costs_only_time(tmp_path: Path) -> None:
    folder = tmp_path / "locked"
    folder.mkdir()
    folder.chmod(stat.S_IRUSR | stat.S_IXUSR)
    store = Store(folder)
    try:
        store.save(KEY, TABLE)
        # root may write where nobody else may
        assert store.load(KEY) == (TABLE if os.geteuid() == 0 else {})
    finally:
        folder.chmod(stat.S_IRWXU)


def test_a_full_disk_costs_only_time(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", full)
        store.save(KEY, {"more": {"x": 1.0}})
    assert store.load(KEY) == TABLE


def test_no_half_written_file_stays(store: Store, tmp_path: Path) -> None:
    store.save(KEY, {"more": {"x": 1.0}})
    assert [p.name for p in tmp_path.rglob("*") if p.name.startswith(".")] == []


def test_no_folder_keeps_nothing() -> None:
    store = Store(None)
    store.save(KEY, TABLE)
    assert store.load(KEY) == {}


def test_memory_keeps_as_long_as_it_lives() -> None:
    memory = Memory()
    assert memory.load(KEY) == {}
    memory.save(KEY, {"a": {"x": 1.0}})
    memory.save(KEY, {"a": {"y": None}})
    assert memory.load(KEY) == {"a": {"x": 1.0, "y": None}}
    assert Memory().load(KEY) == {}


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


# -- two runs at once ------------------------------------------------------------------------------

ROUNDS = 60
KEYS = [digest(f"shared {k}") for k in range(3)]


def value_of(key: str, variant: str, reading: str) -> float:
    """What every process would find for it: a number that no mix-up would give."""
    return int(digest(f"{key} {variant} {reading}")[:12], 16) / 7.0


def busy(folder: str, who: int, wrong: multiprocessing.SimpleQueue[str]) -> None:
    """Save and load the same keys over and over, as two runs of one case would."""
    store = Store(Path(folder))
    random = np.random.default_rng(who)
    for turn in range(ROUNDS):
        key = KEYS[int(random.integers(len(KEYS)))]
        variant = f"variant {random.integers(20)}"
        names = [f"reading {random.integers(30)}" for _ in range(8)]
        store.save(key, {variant: {name: value_of(key, variant, name) for name in names}})
        seen = store.load(key)
        if not seen:
            wrong.put(f"{who}, turn {turn}: unreadable")
        for name_of_variant, row in seen.items():
            for name, x in row.items():
                if x != value_of(key, name_of_variant, name):
                    wrong.put(f"{who}, turn {turn}: {name_of_variant} {name} is {x}")


@pytest.mark.slow
def test_two_runs_at_once_never_see_half_or_wrong_tables(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    wrong = context.SimpleQueue()
    runs = [context.Process(target=busy, args=(str(tmp_path), who, wrong)) for who in range(3)]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
        assert run.exitcode == 0
    assert wrong.empty()
    store = Store(tmp_path)
    for key in KEYS:
        table = store.load(key)
        assert table
        assert all(x == value_of(key, v, n) for v, row in table.items() for n, x in row.items())
    assert list(tmp_path.rglob(".part-*")) == []

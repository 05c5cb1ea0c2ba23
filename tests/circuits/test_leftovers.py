"""What killed processes leave is removed by the next one, and nothing else is."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from circuits.leftovers import PART, own_folder, passing_folder, sweep_folders, sweep_parts
from faultlib.store import Store

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_the_folder_of_a_killed_process_is_swept(temporary: Path) -> None:
    script = ("import os, signal; from circuits.leftovers import own_folder; "
              "print(own_folder('bench'), flush=True); os.kill(os.getpid(), signal.SIGKILL)")
    killed = subprocess.run([sys.executable, "-c", script], cwd=ROOT, text=True,
                            stdout=subprocess.PIPE, check=False,
                            env={**os.environ, "TMPDIR": str(temporary)})
    left = Path(killed.stdout.strip())
    assert left.parent == temporary
    assert left.is_dir()
    (left / "something").write_text("x")
    mine, foreign = own_folder("bench"), temporary / "bench-of-another-program"
    foreign.mkdir()
    sweep_folders()
    assert sorted(temporary.iterdir()) == sorted([mine, foreign])


def test_a_passing_folder_is_gone_after_an_error_too(temporary: Path) -> None:
    def fails() -> None:
        with passing_folder("sheet") as folder:
            (folder / "x").write_text("x")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fails()
    assert list(temporary.iterdir()) == []


def test_only_old_parts_are_swept(tmp_path: Path) -> None:
    """A part that is young may be another run's, which is still writing it."""
    (tmp_path / "ab").mkdir()
    old, young = tmp_path / "ab" / f"{PART}old", tmp_path / "ab" / f"{PART}young"
    folder, kept = tmp_path / f"{PART}folder", tmp_path / "ab" / "cd.json"
    folder.mkdir()
    for path in (old, young, kept, folder / "x"):
        path.write_text("x")
    before = time.time() - 3600.0
    for path in (old, kept, folder):
        os.utime(path, (before, before))
    sweep_parts(tmp_path)
    assert sorted(tmp_path.rglob("*")) == sorted([tmp_path / "ab", young, kept])


def test_the_store_sweeps_when_it_is_first_asked(tmp_path: Path) -> None:
    (tmp_path / "drawings").mkdir()
    old = tmp_path / "drawings" / f"{PART}old"
    old.write_text("x")
    os.utime(old, (1.0, 1.0))
    store = Store(tmp_path)
    assert old.exists()
    store.shelf("ab12")
    assert not old.exists()

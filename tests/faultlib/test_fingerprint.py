"""What the store takes for another simulator, and so simulates anew."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from faultlib.fingerprint import fingerprint


@pytest.fixture
def anew() -> Iterator[None]:
    fingerprint.cache_clear()
    yield
    fingerprint.cache_clear()


def test_another_simulator_is_another_fingerprint(
    anew: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    library = tmp_path / "libngspice.so.0"
    library.write_bytes(b"version 39")
    before = fingerprint()
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", str(library))
    marks = [before]
    for content, when in ((b"version 39", 1.0), (b"version 39.1", 1.0), (b"version 40.0", 2.0)):
        library.write_bytes(content)
        os.utime(library, (when, when))
        fingerprint.cache_clear()
        marks.append(fingerprint())
    assert len(set(marks)) == len(marks)
    fingerprint.cache_clear()
    assert fingerprint() == marks[-1]


def test_a_library_on_the_loaders_path_counts(
    anew: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = fingerprint()
    (tmp_path / "libngspice.so.0.0.9").write_bytes(b"another")
    (tmp_path / "libngspice.so.0").symlink_to(tmp_path / "libngspice.so.0.0.9")
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    fingerprint.cache_clear()
    assert fingerprint() != before


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_the_simulator_is_known_and_not_loaded() -> None:
    """/proc/self/maps lists every library of a process; the control loads it."""
    script = (
        "from pathlib import Path\n"
        "from faultlib.fingerprint import fingerprint, simulator\n"
        "loaded = lambda: 'libngspice' in Path('/proc/self/maps').read_text()\n"
        "fingerprint()\n"
        "assert 'libngspice' in simulator(), simulator()\n"
        "assert not loaded()\n"
        "from circuits.bench.ngspice import find_library\n"
        "find_library()\n"
        "assert loaded()\n"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr

"""What simulated values depend on besides the stage, so that the store knows what is foreign."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sysconfig
from functools import cache
from pathlib import Path

import circuits

_LIBRARY_FOLDERS = ("/usr/lib", "/usr/lib64", "/usr/local/lib", "/opt/homebrew/lib")


@cache
def fingerprint() -> str:
    """What values depend on besides the stage: our code, the fault library and the simulator.

    A changed line anywhere, or another ngspice, makes every older entry of the store foreign.
    """
    mark = _code()
    mark.update(simulator().encode())
    return mark.hexdigest()


@cache
def likeness() -> str:
    """What must be the same on two machines for their answers to be the same.

    Our code and fault library, the version of numpy, and the ngspice libraries by name and size:
    where they lie and when they were installed is each machine's own affair.
    """
    import numpy as np

    mark = _code()
    mark.update(np.__version__.encode())
    for size, name in sorted({(path.stat().st_size, path.name) for path in _libraries()}):
        mark.update(f"{name} {size}".encode())
    return mark.hexdigest()


def _code() -> hashlib._Hash:
    from faultlib import catalogue

    mark = hashlib.sha256()
    here = Path(catalogue.__file__).parent
    there = Path(circuits.__file__).parent
    files = [*there.rglob("*.py"), *here.glob("*.py"), *here.glob("modes/*.yaml")]
    for path in sorted(files):
        mark.update(path.name.encode() + path.read_bytes())
    return mark


def simulator() -> str:
    """Every ngspice library in reach: its file, size and time, told without loading any.

    Which of them the loader takes does not matter: a change of any counts as another simulator.
    """
    versions = {os.environ.get("NGSPICE_LIBRARY_PATH", "")}
    for path in _libraries():
        about = path.stat()
        versions.add(f"{path} {about.st_size} {about.st_mtime_ns}")
    return "\n".join(sorted(versions))


def _libraries() -> list[Path]:
    """Every ngspice library in reach, without links to it."""
    given = os.environ.get("NGSPICE_LIBRARY_PATH", "")
    searched = [*os.environ.get("LD_LIBRARY_PATH", "").split(os.pathsep), *_LIBRARY_FOLDERS,
                f"/usr/lib/{sysconfig.get_config_var('MULTIARCH')}"]
    paths = [path for folder in searched if folder for path in Path(folder).glob("libngspice.*")]
    found = set()
    for path in [*paths, *([Path(given)] if given else [])]:
        with contextlib.suppress(OSError):
            found.add(path.resolve(strict=True))
    return sorted(found)

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
    from faultlib import catalogue

    mark = hashlib.sha256()
    here = Path(catalogue.__file__).parent
    there = Path(circuits.__file__).parent
    files = [*there.rglob("*.py"), *here.glob("*.py"), *here.glob("modes/*.yaml")]
    for path in sorted(files):
        mark.update(path.name.encode() + path.read_bytes())
    mark.update(simulator().encode())
    return mark.hexdigest()


def simulator() -> str:
    """Every ngspice library in reach: its file, size and time, told without loading any.

    Which of them the loader takes does not matter: a change of any counts as another simulator.
    """
    given = os.environ.get("NGSPICE_LIBRARY_PATH", "")
    searched = [*os.environ.get("LD_LIBRARY_PATH", "").split(os.pathsep), *_LIBRARY_FOLDERS,
                f"/usr/lib/{sysconfig.get_config_var('MULTIARCH')}"]
    paths = [path for folder in searched if folder for path in Path(folder).glob("libngspice.*")]
    versions = {given}
    for path in [*paths, *([Path(given)] if given else [])]:
        with contextlib.suppress(OSError):
            whole = path.resolve()
            about = whole.stat()
            versions.add(f"{whole} {about.st_size} {about.st_mtime_ns}")
    return "\n".join(sorted(versions))

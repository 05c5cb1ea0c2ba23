"""Stores cut and scrambled, and disks that are full or cannot be written: no other answer."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from random import Random

from tests.hostile.campaign import ROOT
from tests.hostile.program import CASE, Program, compared


def _scrambled(chance: Random, body: bytes) -> bytes:
    at, size = chance.randrange(len(body)), chance.randrange(1, 2000)
    return chance.choice(
        (
            body[:at],
            body[at:],
            body[:at] + chance.randbytes(size) + body[at + size :],
            body[:at] + bytes(size) + body[at + size :],
            body[:at] + body[at + size :],
            body + body[at:],
            body[:at] + bytes([body[at] ^ 1 << chance.randrange(8)]) + body[at + 1 :],
            chance.randbytes(size),
            b"",
            body[:at] + body,
        )
    )


def store(times: int, chance: Random, folder: Path) -> Counter[str]:
    """Files of the store cut, scrambled, exchanged, or no files at all."""
    count: Counter[str] = Counter()
    program = Program()
    right = program.ranked(folder / "right")
    files = {path.name: path.read_bytes() for path in (folder / "right").glob("*.units")}
    for k in range(times):
        there = folder / f"scrambled-{k}"
        there.mkdir()
        names = sorted(files)
        for name in names:
            path = there / name
            match chance.randrange(20):
                case 0:
                    os.mkfifo(path)
                case 1:
                    path.mkdir()
                case 2:
                    path.symlink_to("nothing-is-here")
                case 3:
                    path.write_bytes(files[chance.choice(names)])
                case _:
                    path.write_bytes(_scrambled(chance, files[name]))
        count[f"answer: {compared(program.ranked(there), right)}"] += 1
        shutil.rmtree(there)
    program.close()
    return count


def disk(times: int, chance: Random, folder: Path) -> Counter[str]:
    """A disk that is full after some bytes, or takes none at all."""
    count: Counter[str] = Counter()
    whole = subprocess.run(
        _rank(), env=_with(folder / "right"), cwd=ROOT, capture_output=True, timeout=120
    )
    right = json.loads(whole.stdout)
    for k in range(times):
        there, limit = folder / f"full-{k}", ""
        if k % 4 == 3:
            there = Path(
                chance.choice(("/proc/store", "/sys/store", "/dev/null/store", str(CASE / "store")))
            )
            count["cannot be written"] += 1
        else:
            limit = f"ulimit -f {chance.choice((0, 1, 1, 2, 4, 8))}; "
            count["full"] += 1
        done = subprocess.run(
            ["bash", "-c", f'{limit}exec "$@"', "bash", *_rank()],
            cwd=ROOT,
            capture_output=True,
            timeout=120,
            env=_with(there) | {"PYTHONDONTWRITEBYTECODE": "1"},
        )
        if done.returncode == 2 and b"Traceback" not in done.stderr and done.stderr:
            count["one message"] += 1
        elif done.returncode or b"Traceback" in done.stderr:
            count["other: " + done.stderr.decode()[-200:]] += 1
        else:
            count[f"answer: {compared(json.loads(done.stdout), right)}"] += 1
    return count


def _rank() -> list[str]:
    return [sys.executable, "-m", "diagnose", "rank", str(CASE), "--json"]


def _with(there: Path) -> dict[str, str]:
    return {
        **os.environ,
        "AMP_DIAGNOSE_CACHE": str(there),
        "AMP_DIAGNOSE_WORKERS": "0",
        "PYTHONPATH": str(ROOT),
    }

"""Workers of a ranking killed or stopped at random moments, and whole commands: no other answer."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from random import Random

from tests.hostile.campaign import ROOT
from tests.hostile.program import CASE, Program, children, compared, session, state

_FOR_GOOD = 0.03
"""How often a worker that is stopped is never let go on: its time must run out."""
_ENDING = 60.0
"""s in which workers whose parent is gone must have ended: they finish the chunk that they have,
which takes a fraction of a second, and many of them on a machine that is too busy."""


def workers(times: int, chance: Random, folder: Path) -> Counter[str]:
    """Workers of one ranking killed or stopped, one to four times."""
    count: Counter[str] = Counter()
    program = Program()
    right = program.ranked(folder / "right")
    start = time.monotonic()
    program.ranked(folder / "again")
    whole = time.monotonic() - start
    halves = (folder / "again").glob("*.units")
    full = {path.name: path.read_bytes() for path in halves}
    for k in range(times):
        store = folder / f"store-{k}"
        if chance.random() < 0.4:  # some of it is known
            store.mkdir()
            for name, body in full.items():
                (store / name).write_bytes(body[: chance.randrange(len(body))])
        program.ask(store)
        stopped: list[int] = []
        for _ in range(chance.choice((1, 1, 2, 4))):
            time.sleep(chance.uniform(0.0, 0.7 * whole))
            alive = children(program.process.pid)
            if not alive:
                count["moments without a worker"] += 1
                continue
            one = chance.choice(alive)
            with suppress(ProcessLookupError):
                if chance.random() < 0.6:
                    os.kill(one, signal.SIGKILL)
                    count["killed"] += 1
                else:
                    os.kill(one, signal.SIGSTOP)
                    count["stopped"] += 1
                    stopped.append(one)
        if chance.random() > _FOR_GOOD:
            time.sleep(chance.uniform(0.0, 0.3))
            for one in stopped:
                with suppress(ProcessLookupError):
                    os.kill(one, signal.SIGCONT)
        elif stopped:
            count["stopped for good"] += 1
        count[f"answer: {compared(program.answer(), right)}"] += 1
        time.sleep(0.05)
        left = [one for one in children(program.process.pid) if state(one) != "T"]
        count["workers left behind"] += len(left)
        shutil.rmtree(store, ignore_errors=True)
    program.close()
    count["processes left behind"] += len(session(program.process.pid))
    return count


def parent(times: int, chance: Random, folder: Path) -> Counter[str]:
    """The command killed at random moments; then nothing of it lives, and its store is good.

    Half of them are killed as soon after something is kept as chance wants; some are begun again
    with the same store, and killed again.
    """
    count: Counter[str] = Counter()
    program = Program()
    right = program.ranked(folder / "right")
    start = time.monotonic()
    _command(folder / "whole").wait(120)
    whole = time.monotonic() - start
    for k in range(times):
        store = folder / f"parent-{k}"
        for _ in range(chance.choice((1, 1, 3))):
            command, late = _command(store), chance.random() < 0.5
            if late:
                while command.poll() is None and not _kept(store):
                    time.sleep(0.002)
            time.sleep(chance.uniform(0.0, 0.1) if late else chance.uniform(0.2, 1.0) * whole)
            command.kill()
            command.wait(20)
            end = time.monotonic() + _ENDING
            while session(command.pid) and time.monotonic() < end:
                time.sleep(0.02)
            left = session(command.pid)
            count["processes left behind"] += len(left)
            for one in left:
                with suppress(ProcessLookupError):
                    os.kill(one, signal.SIGKILL)
            count["killed" if command.returncode < 0 else "was done before"] += 1
        count["with something kept"] += _kept(store)
        count[f"answer: {compared(program.ranked(store), right)}"] += 1
    program.close()
    return count


def _command(store: Path) -> subprocess.Popen[bytes]:
    """The whole command, in a session of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "diagnose", "rank", str(CASE), "--json"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        cwd=ROOT,
        env={
            **os.environ,
            "AMP_DIAGNOSE_CACHE": str(store),
            "AMP_DIAGNOSE_WORKERS": "2",
            "PYTHONPATH": str(ROOT),
        },
    )


def _kept(store: Path) -> bool:
    return any(path.stat().st_size > 0 for path in store.glob("*.units"))

"""Processes killed and hung at random moments, stores scrambled, disks full: no other answer.

    python -m tests.hostile.kills [--part NAME …] [--seed N] [--write]

One program ranks small sheets on two workers, hundreds of times, with an empty store or with one
that holds some part. From outside its workers are killed or stopped, once or several times in one
ranking. What it answers is held against the answer that nobody disturbed, to the last digit: they
may differ only where the answer names what was not computed. Whole commands are killed with their
parent, the files of their stores are cut and scrambled, disks are full and cannot be written.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Any

from tests.hostile.campaign import KEPT, ROOT, TABLE
from tests.hostile.program import CASE, Program, children, compared, ranking, session, state

TIMES = {"writes": 200, "log": 200, "workers": 200, "parent": 50, "store": 100, "disk": 20}
PIECE = 25
"""Times that are done in one go; what is done is kept."""
SEED = 7
_FOR_GOOD = 0.03
"""How often a worker that is stopped is never let go on: its time must run out."""
BEGIN, END = "<!-- kills -->", "<!-- end of kills -->"


# -- what is done to it ----------------------------------------------------------------------------


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
    """The command killed at a random moment; then nothing of it lives, and its store is good."""
    count: Counter[str] = Counter()
    program = Program()
    right = program.ranked(folder / "right")
    whole = 1.0
    for k in range(times):
        store = folder / f"parent-{k}"
        start = time.monotonic()
        command = subprocess.Popen(
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
        if not k:  # the first one shows how long it takes
            command.wait(120)
            whole = time.monotonic() - start
        else:
            time.sleep(chance.uniform(0.2, 1.0) * whole)
            command.kill()
            command.wait(20)
        end = time.monotonic() + 10.0
        while session(command.pid) and time.monotonic() < end:
            time.sleep(0.02)
        left = session(command.pid)
        count["processes left behind"] += len(left)
        for one in left:
            with suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        count["killed" if command.returncode < 0 else "was done before"] += 1
        count["with something kept"] += store.exists() and any(store.glob("*.units"))
        count[f"answer: {compared(program.ranked(store), right)}"] += 1
    program.close()
    return count


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


def writes(times: int, chance: Random, folder: Path) -> Counter[str]:
    """A program that saves a sheet over and over, killed at any moment; the sheet is there."""
    from diagnose.web.opened import from_file
    from diagnose.web.shelf import Shelf

    count: Counter[str] = Counter()
    shelf = Shelf(folder / "sheets")
    name = shelf.add(from_file("stage: phono-opamp\ncase: save 0\n", "sheet.yaml")).name
    for _ in range(times):
        told, tell = os.pipe()
        child = _forked()
        if not child:
            _saving(shelf, name, told, tell)
        os.close(tell)
        with os.fdopen(told, "rb") as pipe:
            pipe.readline()  # the first is done: from here any moment will do
            time.sleep(chance.uniform(0.0, 0.03))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            said = [int(word) for word in pipe.read().split()]
        kept = Shelf(folder / "sheets").load(name)
        number = int(kept.sheet.case.split()[-1])
        last = max(said, default=0)
        count["saves"] += len(said) + 1
        whole = number >= last and kept.revision >= number
        count[
            "the sheet is whole, and the last save or the one after it"
            if whole
            else f"lost: {number} of {last}, revision {kept.revision}"
        ] += 1
    labels = Shelf(folder / "sheets").labels()
    count["sheets in the list"] += len(labels)
    return count


def _forked() -> int:
    """As `os.fork`: the child only saves, and needs no lock that a thread of this process holds."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # Python 3.12 and later warn of threads
        return os.fork()


def _saving(shelf: Any, name: str, told: int, tell: int) -> None:
    """In a process of its own: save until it is killed."""
    from dataclasses import replace

    os.close(told)
    try:
        while True:
            kept = shelf.load(name)
            number = int(kept.sheet.case.split()[-1]) + 1
            sheet = replace(kept.sheet, case=f"{'a long name of a unit ' * 6} save {number}")
            shelf.save(name, sheet, kept.revision)
            os.write(tell, f"{number}\n".encode())
    finally:
        os._exit(1)


def log(times: int, chance: Random, folder: Path) -> Counter[str]:
    """A program that keeps entries of the case log, killed at any moment; none is lost."""
    from diagnose.log.book import Log

    count: Counter[str] = Counter()
    path, last = folder / "log.sqlite", -1
    for _ in range(times):
        told, tell = os.pipe()
        child = _forked()
        if not child:
            _logging(path, last + 1, told, tell)
        os.close(tell)
        with os.fdopen(told, "rb") as pipe:
            pipe.readline()
            time.sleep(chance.uniform(0.0, 0.03))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            said = [int(word) for word in pipe.read().split()]
        last = max([last + 1, *said])
        with Log(path) as book:  # which looks through the whole file
            held = {entry.case for entry in book.entries()}
        lost = {f"job {n}" for n in range(last + 1)} - held
        count["no entry lost" if not lost else f"lost: {len(lost)}"] += 1
        last = max(int(case.split()[-1]) for case in held)
    count["entries"] = last + 1
    return count


def _logging(path: Path, first: int, told: int, tell: int) -> None:
    """In a process of its own: keep entries until it is killed."""
    import uuid

    from diagnose.log.book import Log
    from diagnose.log.entry import Entry

    os.close(told)
    try:
        with Log(path) as book:
            for number in range(first, 10**6):
                book.put(
                    Entry(
                        str(uuid.UUID(int=number)),
                        "2026-03-01T10:00:00Z",
                        "coupling",
                        "w",
                        "nothing wrong",
                        "measured",
                        case=f"job {number}",
                    )
                )
                os.write(tell, f"{number}\n".encode())
    finally:
        os._exit(1)


PARTS: dict[str, Callable[[int, Random, Path], Counter[str]]] = {
    "writes": writes,
    "log": log,
    "workers": workers,
    "parent": parent,
    "store": store,
    "disk": disk,
}


def run(part: str, times: int, seed: int) -> dict[str, int]:
    """What came of one part, counted."""
    with tempfile.TemporaryDirectory() as name:
        return dict(sorted(PARTS[part](times, random.Random(seed), Path(name)).items()))


def kept() -> dict[str, dict[str, dict[str, int]]]:
    """What is done: part → piece → counts."""
    path = KEPT / "kills.json"
    found = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    return {part: found.get(part, {}) for part in PARTS}


def go_on(part: str, seed: int, seconds: float) -> None:
    """Do what is not done of a part, as long as there is time."""
    end = time.monotonic() + seconds
    for piece in range(0, TIMES[part], PIECE):
        if str(piece) in kept()[part] or time.monotonic() > end:
            continue
        times = min(PIECE, TIMES[part] - piece)
        count = run(part, times, seed + piece)
        done = kept()
        done[part][str(piece)] = {"times": times, **count}
        KEPT.mkdir(exist_ok=True)
        (KEPT / "kills.json").write_text(json.dumps(done), encoding="utf-8")


def table() -> str:
    """What came of all parts."""
    lines = ["| part | times | what came of it |", "|---|---|---|"]
    for part, pieces in kept().items():
        total = sum((Counter(one) for one in pieces.values()), Counter())
        times = total.pop("times", 0)
        total.pop("sheets in the list", None)
        none = [
            what
            for what in ("processes left behind", "workers left behind")
            if any(what in one for one in pieces.values()) and what not in total
        ]
        words = [f"{what} {count}" for what, count in sorted(total.items())]
        words += [f"{what} 0" for what in none]
        if times:
            lines.append(f"| {part} | {times} | {'; '.join(words)} |")
    return "\n".join(lines) + "\n"


def write(path: Path = TABLE) -> None:
    """Put the table into its place in the file."""
    text = path.read_text(encoding="utf-8") if path.exists() else f"{BEGIN}\n{END}\n"
    before, _, rest = text.partition(BEGIN)
    path.write_text(f"{before}{BEGIN}\n{table()}{END}{rest.partition(END)[2]}", encoding="utf-8")


def main() -> None:
    words = argparse.ArgumentParser(description="kills, hangs, full disks")
    words.add_argument("--part", choices=[*PARTS], nargs="*", default=[*PARTS])
    words.add_argument("--seconds", type=float, default=1e6, help="stop then; call again to go on")
    words.add_argument("--seed", type=int, default=SEED)
    words.add_argument("--write", action="store_true")
    words.add_argument("--rank", action="store_true", help=argparse.SUPPRESS)
    values = words.parse_args()
    if values.rank:
        ranking()
        return
    end = time.monotonic() + values.seconds
    for part in values.part:
        go_on(part, values.seed, end - time.monotonic())
    print(table())
    if values.write:
        write()


if __name__ == "__main__":
    main()

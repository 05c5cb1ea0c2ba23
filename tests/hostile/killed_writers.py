"""Programs that save sheets or keep entries of the case log, killed at any moment: none is lost."""

from __future__ import annotations

import os
import signal
import time
import warnings
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any


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

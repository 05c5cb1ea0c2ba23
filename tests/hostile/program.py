"""A program that ranks as often as it is asked, seen from outside: its processes, its answers."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.hostile.campaign import KEPT, ROOT

CASE = ROOT / "tests" / "data" / "coupling-dry.yaml"
_MISSING = ("could not be simulated: ", "time was over ")
"""How sentences begin that name what was not computed (`diagnose.answer.notes`)."""
_ALONE = "ngspice simulated them one by one"
"""How the sentence ends that counts units which the batch did not solve: a unit at the edge is one
of them in one company and not in another."""


def ranking() -> None:
    """Rank as often as is asked on standard input: folder of a store, and the case."""
    from diagnose.answer.result import to_json
    from diagnose.door.answers import rank
    from faultlib.simulate import Laboratory
    from faultlib.store import Store

    for line in sys.stdin:
        store, case = json.loads(line)
        with Laboratory(Store(Path(store)), 2) as bench:
            said = to_json(rank(Path(case), bench))
        print(json.dumps(said), flush=True)


class Program:
    """The program that ranks, in a session of its own."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.hostile.kills", "--rank"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=ROOT,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )

    def ask(self, store: Path, case: Path = CASE) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps([str(store), str(case)]) + "\n")
        self.process.stdin.flush()

    def answer(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the program that ranks has ended"
        said: dict[str, Any] = json.loads(line)
        return said

    def ranked(self, store: Path, case: Path = CASE) -> dict[str, Any]:
        self.ask(store, case)
        return self.answer()

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()


def children(process: int) -> list[int]:
    """Living processes below one."""
    with suppress(OSError):
        found = [
            int(word)
            for task in Path(f"/proc/{process}/task").iterdir()
            for word in (task / "children").read_text().split()
        ]
        return [one for one in found if state(one) not in ("Z", "")]
    return []


def state(process: int) -> str:
    """The letter of a process's state; empty for one that is no more."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return ""


def session(leader: int) -> list[int]:
    """Living processes of the session that a process began."""
    found = []
    for path in Path("/proc").iterdir():
        if path.name.isdecimal():
            with suppress(OSError):
                words = (path / "stat").read_text().rpartition(")")[2].split()
                if int(words[3]) == leader and words[0] != "Z":
                    found.append(int(path.name))
    return found


def compared(said: dict[str, Any], right: dict[str, Any]) -> str:
    """``same``, ``named`` where it differs and says what was not computed, or ``other``.

    Units that are repeated one by one are solved in another order than together, and rounded
    otherwise: a millionth counts as rounding, and is counted apart.
    """
    if said == right:
        return "same"
    if _missing(said) - _missing(right):
        return "named"
    if _near(_counted_alike(said), _counted_alike(right)):
        return "same but for rounding"
    KEPT.mkdir(exist_ok=True)
    with (KEPT / "others.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps([said, right]) + "\n")
    return "other"


def _missing(answer: dict[str, Any]) -> set[str]:
    """What an answer says was not computed."""
    return {note for note in answer["notes"] if note.startswith(_MISSING)}


def _counted_alike(answer: dict[str, Any]) -> dict[str, Any]:
    """Without the count of units that were solved one by one."""
    return answer | {"notes": [n for n in answer["notes"] if not n.endswith(_ALONE)]}


def _near(one: Any, other: Any) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_near(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_near, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-6, abs_tol=1e-12)
    return bool(one == other)

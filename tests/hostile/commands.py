"""Harmed files through whole commands: what a terminal sees of them, and the exit code."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random

from tests.hostile.accidents import JUNK
from tests.hostile.formats import FORMATS, ROOT
from tests.hostile.judge import ANSWER, MESSAGE, Defect

PATIENCE = 30
"""s of a processor that a command may take, with the little time that it is given to simulate: on a
busy machine, where one second of work takes ten, 30 s by the clock pass within the imports."""
_HUNG = 120.0
"""s by the clock after which it hangs, though it does nothing."""
_ROOM = 2 << 30
"""Bytes that it may have for itself."""
_MINUTES = "0.02"
"""Of simulation: what is missing then is told, which is an answer as well."""
_LONGEST = 40_000
"""Signs of what is told about a file that is refused: twenty mistakes, each with its line."""

Words = Callable[[Path, Random], list[str]]


def _study(path: Path, chance: Random) -> list[str]:
    fault = chance.choice(
        ("C1:open", "C1:capacitance loss", "R1:drift", "Q1:dead", "x:y", "C1", ":")
    )
    return ["study", str(path), fault]


_SHEET: tuple[Words, ...] = (
    lambda path, chance: ["rank", str(path)],
    lambda path, chance: ["rank", str(path), "--json"],
    lambda path, chance: ["next", str(path)],
    lambda path, chance: ["report", str(path), "-o", str(path.with_name("out.html"))],
)
COMMANDS: dict[str, tuple[Words, ...]] = {
    "sheet": _SHEET,
    "table": _SHEET,
    "sweep": (lambda path, chance: ["rank", str(path.with_name("sweep-case.yaml"))],),
    "stage": (
        lambda path, chance: ["stages", str(path)],
        lambda path, chance: ["stages", str(path), "--healthy"],
        lambda path, chance: ["stages", str(path), "--to", str(path.with_name("out.cir"))],
        lambda path, chance: ["sheet", str(path), "-o", str(path.with_name("blank.csv"))],
        _study,
    ),
    "unit": (lambda path, chance: ["stages", str(path)],),
    "netlist": (
        lambda path, chance: ["stages", "--from", str(path)],
        lambda path, chance: ["stages", "--from", str(path), "--json"],
    ),
    "recording": (
        lambda path, chance: ["measure", str(path)],
        lambda path, chance: ["measure", str(path), "--full-scale", "2 V", "--json"],
    ),
}
"""Which commands take a file of a format."""
_TIMED = ("rank", "next", "report", "study")
"""Commands that have a time limit."""


def odd_words(chance: Random) -> list[str]:
    """A command whose words are harmed, with no file at all."""
    junk = chance.choice(JUNK).replace(b"\x00", b"").decode("utf-8", "surrogateescape")[:2000]
    word = chance.choice(("a", "", "phono-opamp", "../x", "/dev/null", "/proc/self/mem")) + junk
    return chance.choice(
        (
            ["rank", word],
            ["stages", word],
            ["study", "phono-opamp", word],
            ["measure", word],
            ["sheet", word],
            ["stages", "--from", word],
            ["next", word, "--time-limit", word],
            ["study", word, "R1:open"],
            ["rank", word, "--time-limit", "0.01"],
            [word],
            ["coverage", word],
            ["score", word],
            ["report", word, "-o", word],
        )
    )


def words_of(chance: Random, folder: Path) -> list[str]:
    """The words of one command, about a harmed file in a folder or about none."""
    if chance.random() < 0.1:
        return odd_words(chance)
    kinds = [*COMMANDS]
    kind = chance.choices(kinds, [FORMATS[one].share for one in kinds])[0]
    path = FORMATS[kind].make(chance, folder)
    if kind == "sweep":
        path.with_name("sweep-case.yaml").write_text(
            "stage: small.yaml\nreadings: [{quantity: riaa deviation, file: sweep.csv}]\n",
            encoding="utf-8",
        )
    words = chance.choice(COMMANDS[kind])(path, chance)
    return [*words, "--time-limit", _MINUTES] if words[0] in _TIMED else words


def environment(cache: Path) -> dict[str, str]:
    """What a command is run with: a store of its own, and no workers."""
    return {
        **os.environ,
        "AMP_DIAGNOSE_CACHE": str(cache),
        "AMP_DIAGNOSE_WORKERS": "0",
        "PYTHONPATH": str(ROOT),
        "OPENBLAS_NUM_THREADS": "1",
        "NO_COLOR": "1",
    }


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (PATIENCE, PATIENCE + 1))
    resource.setrlimit(resource.RLIMIT_DATA, (_ROOM, _ROOM))


def run(words: list[str], cache: Path, folder: Path) -> str:
    """`ANSWER` or `MESSAGE` of one command.

    Raises
    ------
    Defect
        For another ending: a traceback, a signal, too long, nothing told, another exit code.
    """
    command = [sys.executable, "-m", "diagnose", *words]
    try:
        done = subprocess.run(
            command,
            env=environment(cache),
            cwd=folder,
            capture_output=True,
            timeout=_HUNG,
            preexec_fn=_bounded,
            stdin=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        raise Defect(f"no end within {_HUNG:g} s: {words}") from None
    told = done.stderr.decode("utf-8", "replace")
    if b"Traceback" in done.stderr or "Warning:" in told:
        raise Defect(f"{words}: {told[-1500:]}")
    if done.returncode == 2:
        if not told.strip() or len(told) > _LONGEST:
            raise Defect(f"{words}: exit 2 with {len(told)} signs")
        bad = [sign for sign in told if not (sign.isprintable() or sign in "\n\t")]
        if bad:
            raise Defect(f"{words}: a message with {bad[:5]!r}: {told[:300]!r}")
        return MESSAGE
    if done.returncode or not (done.stdout or told):
        raise Defect(f"{words}: exit {done.returncode}: {told[-1500:]}")
    return ANSWER

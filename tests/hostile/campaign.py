"""Ten thousand hostile inputs: seeded, in processes with limits, gone on with where it was left.

    python -m tests.hostile.campaign [--part NAME] [--seconds S] [--only NUMBER] [--write]

Every input has a number, and the number with the seed makes it anew. A worker takes some hundred
one after another and tells of each when it begins and how it ended, so that one that kills its
worker is known by name; it may take 2 GB and each input 30 s, and the system holds it to both. What
is done is kept in ``.hostile/`` and not done again.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from random import Random

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / ".hostile"
TABLE = ROOT / "tests" / "benchmarks" / "hostile.md"
SEED = 20
LIMIT_S, LIMIT_BYTES = 30.0, 2 << 30
"""What one input may take."""
PARTS = {
    "loaders": 10_500, "further": 700, "cards": 500, "commands": 250, "options": 150, "page": 150,
    "served": 150,
}
"""How many inputs each part has."""
_BATCH = {
    "loaders": 250, "further": 250, "cards": 250, "commands": 25, "options": 25, "page": 75,
    "served": 75,
}
"""Inputs that one worker takes."""
DEFECT = "defect"


@dataclass(frozen=True)
class Ended:
    """How one input ended.

    Attributes
    ----------
    kind : str
        Its format, or what was asked.
    how : str
        ``answer``, ``message`` or ``defect``.
    """

    part: str
    number: int
    kind: str
    how: str
    seconds: float = 0.0
    text: str = ""


# -- in the worker ---------------------------------------------------------------------------------


def work(part: str, seed: int, numbers: list[int], seconds: float) -> None:
    """Take some inputs, and tell of each on standard output."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warnings.simplefilter("error", RuntimeWarning)  # numbers that are none are a defect as well
    end = time.monotonic() + seconds
    from tests.hostile.doing import DOING
    from tests.hostile.judge import Defect

    with tempfile.TemporaryDirectory() as name, DOING[part](Path(name)) as doing:
        # whole commands and servers have their limits themselves
        if part in ("loaders", "further", "cards"):
            resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
        for number in numbers:
            if time.monotonic() > end:
                break
            _tell({"begun": number})
            start = time.monotonic()
            kind, how, text = "", DEFECT, ""
            signal.setitimer(signal.ITIMER_REAL, 3 * LIMIT_S if part != "loaders" else LIMIT_S)
            try:
                kind, do = doing(Random(f"{seed} {part} {number}"))
                how = do()
            except Defect as error:
                text = str(error)
            except Exception as error:  # noqa: BLE001 - whatever escapes is the finding
                text = "".join(traceback.format_exception(error))[-3000:]
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            _tell(
                {
                    "number": number,
                    "kind": kind,
                    "how": how,
                    "text": text,
                    "seconds": round(time.monotonic() - start, 3),
                }
            )
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        below = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        _tell({"most": max(most, below)})


def _tell(what: dict[str, object]) -> None:
    print(json.dumps(what), flush=True)


# -- above it --------------------------------------------------------------------------------------


def kept(seed: int) -> list[Ended]:
    """What is done already."""
    path = KEPT / f"{seed}.jsonl"
    if not path.exists():
        return []
    return [
        Ended(**json.loads(line))
        for line in path.read_text(encoding="utf-8").splitlines()
        if '"part"' in line
    ]


def again(seed: int) -> None:
    """Forget defects, so that they are tried anew."""
    path = KEPT / f"{seed}.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text(
        "".join(line for line in lines if json.loads(line).get("how") != DEFECT), encoding="utf-8"
    )


def go_on(part: str, seed: int, seconds: float) -> None:
    """Do what is not done of a part, as long as there is time."""
    end = time.monotonic() + seconds
    done = {one.number for one in kept(seed) if one.part == part}
    left = [number for number in range(PARTS[part]) if number not in done]
    while left and time.monotonic() < end:
        batch, left = left[: _BATCH[part]], left[_BATCH[part] :]
        told = batched(part, seed, batch, end - time.monotonic())
        if not told and time.monotonic() < end:
            raise SystemExit(f"a worker of {part} ends before its first input")
        left = [number for number in batch if number not in told] + left


def batched(part: str, seed: int, numbers: list[int], seconds: float) -> set[int]:
    """One worker's share; the numbers that are done."""
    command = [
        sys.executable,
        "-m",
        "tests.hostile.campaign",
        "--work",
        part,
        "--seed",
        str(seed),
        "--seconds",
        f"{seconds:.1f}",
    ]
    done: set[int] = set()
    begun, most = -1, 0
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as worker:
        assert worker.stdin is not None
        assert worker.stdout is not None
        worker.stdin.write(json.dumps(numbers))
        worker.stdin.close()
        for line in worker.stdout:
            told = json.loads(line)
            if "begun" in told:
                begun = told["begun"]
            elif "most" in told:
                most = told["most"]
            else:
                done.add(told["number"])
                _keep(seed, {"part": part, **told})
                begun = -1
    if begun >= 0 and worker.returncode:
        code = worker.returncode
        said = f"ended by {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
        _keep(
            seed,
            {
                "part": part,
                "number": begun,
                "kind": "",
                "how": DEFECT,
                "text": f"the process {said}",
            },
        )
        done.add(begun)
    if most:
        _keep(seed, {"most": most, "of": part})
    return done


def _keep(seed: int, what: dict[str, object]) -> None:
    KEPT.mkdir(exist_ok=True)
    with (KEPT / f"{seed}.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(what) + "\n")


def table(seed: int) -> str:
    """Counts by class, and every defect."""
    done = kept(seed)
    lines = [
        f"Seed {seed}; each input within {LIMIT_S:g} s (a command: of a processor) and "
        f"{LIMIT_BYTES >> 30} GB, held to it by the system.",
        "",
        "| part | of | inputs | answer | one message | defect | most, s |",
        "|---|---|---|---|---|---|---|",
    ]
    for part in PARTS:
        mine = [one for one in done if one.part == part]
        for kind in [*sorted({one.kind for one in mine}), None]:
            rows = [one for one in mine if kind is None or one.kind == kind]
            if not rows:
                continue
            count = Counter(one.how for one in rows)
            lines.append(
                f"| {part} | {'all' if kind is None else kind} | {len(rows)} | "
                f"{count['answer']} | {count['message']} | {count[DEFECT]} | "
                f"{max(one.seconds for one in rows):.1f} |"
            )
    path = KEPT / f"{seed}.jsonl"
    most = (
        [
            json.loads(line)["most"]
            for line in path.read_text(encoding="utf-8").splitlines()
            if '"most"' in line
        ]
        if path.exists()
        else []
    )
    if most:
        lines += ["", f"Most memory of any process: {max(most) / 1024:.0f} MB."]
    bad = [one for one in done if one.how == DEFECT]
    lines += ["", f"{len(bad)} defects." if bad else "No defect."]
    lines += [
        f"- {one.part} {one.number} ({one.kind}): {' '.join(one.text.split())[-300:]}"
        for one in bad[:40]
    ]
    return "\n".join(lines) + "\n"


BEGIN, END = "<!-- campaign -->", "<!-- end of campaign -->"


def write(seed: int, path: Path = TABLE) -> None:
    """Put the table into its place in the file."""
    text = path.read_text(encoding="utf-8") if path.exists() else f"{BEGIN}\n{END}\n"
    before, _, rest = text.partition(BEGIN)
    path.write_text(
        f"{before}{BEGIN}\n{table(seed)}{END}{rest.partition(END)[2]}", encoding="utf-8"
    )


def main() -> None:
    words = argparse.ArgumentParser(description="hostile inputs through every reader")
    words.add_argument("--part", choices=[*PARTS])
    words.add_argument("--seconds", type=float, default=1e6, help="stop then; call again to go on")
    words.add_argument("--seed", type=int, default=SEED)
    words.add_argument("--only", type=int, help="one input of a part, to the screen")
    words.add_argument("--again", action="store_true", help="try what was a defect once more")
    words.add_argument("--write", action="store_true", help=f"the table into {TABLE.name}")
    words.add_argument("--work", choices=[*PARTS], help=argparse.SUPPRESS)
    values = words.parse_args()
    if values.work:
        work(values.work, values.seed, json.load(sys.stdin), values.seconds)
        return
    if values.only is not None:
        work(values.part or "loaders", values.seed, [values.only], values.seconds)
        return
    if values.again:
        again(values.seed)
    for part in [values.part] if values.part else [*PARTS]:
        go_on(part, values.seed, values.seconds)
    print(table(values.seed))
    if values.write:
        write(values.seed)


if __name__ == "__main__":
    main()

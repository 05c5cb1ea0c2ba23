"""The readers under a fuzzer that looks which lines an input reaches, and goes on from what is new.

    python -m tests.hostile.fuzz [--target NAME …] [--seconds S] [--write]

It needs atheris (https://pypi.org/project/atheris/, Apache 2.0), which has wheels for some Pythons
on Linux only. Anything but an answer or an `InputError` that can be shown is a finding: the input
is kept under ``.hostile/fuzz/``, and so is the corpus, with which the next run goes on.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from tests.hostile.campaign import KEPT, ROOT, TABLE

BEGIN, END = "<!-- fuzz -->", "<!-- end of fuzz -->"
SECONDS = 120
FOLDER = KEPT / "fuzz"
MOST_BYTES = 4096
"""Of one input; the originals are cut to it."""
Read = Callable[[bytes], object]


def _quantity() -> Read:
    from circuits.quantity import parse
    from tests.hostile.strategies import ASKED

    def read(data: bytes) -> object:
        unit = ASKED[data[0] % len(ASKED)] if data else ""
        return parse(data[1:].decode("utf-8", "replace"), unit)

    return read


def _yaml() -> Read:
    from circuits.yamlfile import tree

    return lambda data: tree(data.decode("utf-8", "replace"), "fuzzed.yaml")


def _csv() -> Read:
    from diagnose.sheet.given import case_of

    return lambda data: case_of("stage,phono-opamp\n" + data.decode("utf-8", "replace") + "\n")


def _netlist() -> Read:
    from circuits.spice.importing import imported

    return lambda data: imported("made\n" + data.decode("utf-8", "replace") + "\n", "fuzzed.cir")


def _wav() -> Read:
    from circuits.signals.recording import load_recording

    path = Path("/dev/shm" if Path("/dev/shm").is_dir() else "/tmp") / f"fuzzed-{os.getpid()}.wav"

    def read(data: bytes) -> object:
        path.write_bytes(data)
        return load_recording(path)

    return read


TARGETS: dict[str, Callable[[], Read]] = {
    "quantity": _quantity,
    "yaml": _yaml,
    "csv": _csv,
    "netlist": _netlist,
    "wav": _wav,
}
_SEEDS = {
    "yaml": ("stage", "sheet"),
    "csv": ("table", "sweep"),
    "netlist": ("netlist",),
    "wav": ("recording",),
    "quantity": (),
}


def seeded(target: str) -> Path:
    """The folder of the corpus of a target, with files to begin with."""
    from tests.hostile.formats import FORMATS

    folder = FOLDER / target
    folder.mkdir(parents=True, exist_ok=True)
    for kind in _SEEDS[target]:
        for name, body in FORMATS[kind].originals.items():
            (folder / f"seed-{kind}-{name}").write_bytes(body[:MOST_BYTES])
    for k, word in enumerate(
        ("4k7", "-3.2 dBV", "10 uF ±20 %", "1.5 kHz", "< 3 mV", "2µ2", "1e-3 A")
    ):
        if target == "quantity":
            (folder / f"seed-{k}").write_bytes(bytes([k]) + word.encode())
    return folder


def fuzz(target: str, seconds: float) -> None:
    """Fuzz one reader in this process, which ends with it."""
    import atheris

    with atheris.instrument_imports(include=["circuits", "diagnose"]):
        read = TARGETS[target]()
        from circuits.errors import InputError
        from tests.hostile.judge import clear

    def one(data: bytes) -> None:
        try:
            read(data)
        except InputError as error:
            clear(error, placed=False)

    atheris.Setup(
        [
            sys.argv[0],
            f"-max_total_time={seconds:.0f}",
            "-seed=1",
            "-print_final_stats=1",
            "-timeout=30",
            "-rss_limit_mb=2048",
            f"-max_len={MOST_BYTES if target != 'wav' else 16384}",
            f"-artifact_prefix={FOLDER}/{target}-",
            str(FOLDER / target),
        ],
        one,
    )
    atheris.Fuzz()


def run(target: str, seconds: float) -> dict[str, object]:
    """What came of one target: inputs tried, edges reached, and what was found."""
    seeded(target)
    done = subprocess.run(
        [sys.executable, "-m", "tests.hostile.fuzz", "--here", target, "--seconds", str(seconds)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=seconds + 120,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    tried = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
    edges = re.findall(r"cov: (\d+)", done.stderr)
    found = "" if not done.returncode else done.stderr[-1500:]
    return {
        "seconds": seconds,
        "tried": int(tried[1]) if tried else 0,
        "edges": int(edges[-1]) if edges else 0,
        "found": found,
    }


def table() -> str:
    """What came of all targets."""
    lines = ["| reader | minutes | inputs | edges reached | found |", "|---|---|---|---|---|"]
    for target in TARGETS:
        path = FOLDER / f"{target}.json"
        if path.exists():
            told = json.loads(path.read_text(encoding="utf-8"))
            lines.append(
                f"| {target} | {told['seconds'] / 60:.1f} | {told['tried']} | "
                f"{told['edges']} | {'something' if told['found'] else 'nothing'} |"
            )
    return "\n".join(lines) + "\n"


def write(path: Path = TABLE) -> None:
    """Put the table into its place in the file."""
    text = path.read_text(encoding="utf-8") if path.exists() else f"{BEGIN}\n{END}\n"
    before, _, rest = text.partition(BEGIN)
    path.write_text(f"{before}{BEGIN}\n{table()}{END}{rest.partition(END)[2]}", encoding="utf-8")


def main() -> None:
    words = argparse.ArgumentParser(description="readers under a fuzzer guided by coverage")
    words.add_argument("--target", choices=[*TARGETS], nargs="*", default=[*TARGETS])
    words.add_argument("--seconds", type=float, default=SECONDS)
    words.add_argument("--write", action="store_true")
    words.add_argument("--here", choices=[*TARGETS], help=argparse.SUPPRESS)
    values = words.parse_args()
    if values.here:
        fuzz(values.here, values.seconds)
        return
    for target in values.target:
        told = run(target, values.seconds)
        print(target, told)
        (FOLDER / f"{target}.json").write_text(json.dumps(told), encoding="utf-8")
    if values.write:
        write()


if __name__ == "__main__":
    main()

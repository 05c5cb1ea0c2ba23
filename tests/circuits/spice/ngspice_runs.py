"""Runs of plain ngspice on the netlists of this folder."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

FOLDER = Path(__file__).with_name("netlists")
NETLISTS = sorted([*FOLDER.glob("*.cir"), *FOLDER.glob("*.CIR")], key=lambda path: path.name)


def ngspice(path: Path, commands: list[str], folder: Path) -> list[str]:
    """What ngspice writes after carrying out commands on a copy of the netlist."""
    copy = folder / "netlists"
    shutil.copytree(FOLDER, copy)
    text = path.read_text(encoding="utf-8")
    before = re.split(r"^\.end\b.*", text, flags=re.IGNORECASE | re.MULTILINE)[0]
    control = "\n".join([".control", "set numdgt=12", *commands, ".endc", ".end", ""])
    (copy / "run.cir").write_text(before + control, encoding="utf-8")
    run = subprocess.run(["ngspice", "-b", "run.cir"], cwd=copy, capture_output=True, text=True,
                         timeout=60)
    return run.stdout.splitlines()

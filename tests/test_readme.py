"""What README and examples' guide show on a console is run, and what they show is what comes out.

Compared without numbers: a probability may move with a better prior, a wording may not. A line
`…` stands for any lines left out.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
GUIDES = (ROOT / "README.md", ROOT / "examples" / "README.md")
LEFT_OUT = "…"


def sessions(text: str) -> list[tuple[str, list[str]]]:
    """Every command of the console blocks with the lines shown after it."""
    found: list[tuple[str, list[str]]] = []
    for block in re.findall(r"^```console\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line[2:], []))
            else:
                found[-1][1].append(line)
    return found


def words(line: str) -> str:
    """A line without its numbers and the blanks that align them."""
    return " ".join(re.sub(r"[-+]?[0-9][0-9.]*", "#", line).replace("over # %", "# %").split())


def missing(shown: list[str], printed: list[str]) -> list[str]:
    """Lines shown that the output does not have, in order; none where all are there."""
    place, lost, free = 0, [], False
    have = [words(line) for line in printed]
    for line in shown:
        if line.strip() == LEFT_OUT:
            free = True
            continue
        wanted = words(line)
        stop = len(have) if free else place + 1
        if wanted in have[place:stop]:
            place = have.index(wanted, place) + 1
        else:
            lost.append(line)
        free = False
    return lost


@pytest.mark.slow
def test_what_the_readme_shows_is_what_comes_out(tmp_path: Path, shared_store: Path) -> None:
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "AMP_DIAGNOSE_CACHE": str(shared_store),
                   "AMP_DIAGNOSE_SHEETS": str(tmp_path / "sheets")}
    commands = [one for guide in GUIDES for one in sessions(guide.read_text(encoding="utf-8"))]
    assert len(commands) >= 8
    for command, shown in commands:
        name, *rest = shlex.split(command)
        assert name in ("diagnose", "python")
        module = ["-m", name] if name == "diagnose" else []
        run = subprocess.run([sys.executable, *module, *rest], capture_output=True, text=True,
                             cwd=tmp_path, env=environment, timeout=300, check=False)
        assert run.returncode == 0, run.stderr
        assert missing(shown, run.stdout.splitlines()) == [], command


def test_a_line_that_does_not_come_out_is_seen() -> None:
    printed = ["stage      parts", "filter  24", "phono-opamp  23"]
    assert missing(["stage   parts", LEFT_OUT, "phono-opamp  99"], printed) == []
    assert missing(["stage   parts", "phono-opamp  23"], printed) == ["phono-opamp  23"]
    assert missing(["stage   weight"], printed) == ["stage   weight"]


def test_every_file_that_the_guide_names_is_there() -> None:
    """Modules move; a guide that names where they were sends a newcomer astray."""
    folders = ("circuits", "faultlib", "diagnose", "tests", "examples")
    have = {path.name for folder in folders for path in (ROOT / folder).rglob("*.*")}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = {Path(name).name for name in re.findall(r"`([\w/.-]+\.(?:py|yaml|js))`", text)}
    assert len(named) > 100
    assert named - have == set()

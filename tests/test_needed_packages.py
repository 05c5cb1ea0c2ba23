"""`.ci/need`: what it installs, and that a tool which is there and does not work is named.

Debian's gnucap reads no circuit without its plug-ins, which it only recommends. Stand-ins for it
and for the package manager say what they were asked for.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
NEED = ROOT / ".ci" / "need"
DEAF = "#!/bin/sh\necho 'Gnucap : The Gnu Circuit Analysis Package'\n"
WORKS = DEAF + "printf '#           v(2)      \\n 27.        1.        \\n'\n"
pytestmark = pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")


def run(
    folder: Path, *packages: str, apt: str = "", python: str = sys.executable, **tools: str
) -> tuple[int, str, str]:
    """Exit code, messages, and what the package manager was asked, with stand-ins first."""
    asked = folder / "asked"
    tools["apt_get"] = f'#!/bin/sh\necho "$@" >>{asked}\n{apt}\n'
    # a user that is not root asks sudo, which here does what it is told
    tools["sudo"] = '#!/bin/sh\nwhile [ "$1" = -n ]; do shift; done\nexec "$@"\n'
    for name, text in tools.items():
        path = folder / name.replace("_", "-")
        path.write_text(text)
        path.chmod(0o755)
    done = subprocess.run(
        ["bash", str(NEED), *packages], capture_output=True, text=True, timeout=60,
        env={"PATH": f"{folder}:{os.environ['PATH']}", "PYTHON": python},
    )
    return done.returncode, done.stderr, asked.read_text() if asked.exists() else ""


def test_a_tool_that_works_needs_nothing(tmp_path: Path) -> None:
    assert run(tmp_path, "gnucap", gnucap=WORKS) == (0, "", "")


def test_gnucap_comes_with_its_plug_ins(tmp_path: Path) -> None:
    mend = f"cat >{tmp_path}/gnucap <<'END'\n{WORKS}END"
    code, said, asked = run(tmp_path, "gnucap", apt=mend, gnucap=DEAF)
    assert code == 0
    assert "gnucap gnucap-default-plugins0" in asked
    assert "installing gnucap" in said


def test_a_tool_that_is_there_and_does_not_work_is_named(tmp_path: Path) -> None:
    code, said, asked = run(tmp_path, "gnucap", gnucap=DEAF)
    assert code == 1
    assert asked
    assert "gnucap is there and does not work" in said
    assert "gnucap-default-plugins0" in said


def test_the_browsers_driver_has_its_library(tmp_path: Path) -> None:
    """A Python that can load no library stands for a system without libatomic."""
    blind = tmp_path / "python"
    blind.write_text("#!/bin/sh\nexit 1\n")
    blind.chmod(0o755)
    code, said, asked = run(tmp_path, "libatomic1", python=str(blind))
    assert code == 1
    assert "install -y --no-install-recommends libatomic1" in asked
    assert "libatomic1 is there and does not work" in said


def test_what_tests_are_skipped_without_is_installed_by_make() -> None:
    """A simulator put there by hand hides that its tests are skipped everywhere else."""
    asked = set()
    for path in ROOT.glob("tests/**/*.py"):
        asked |= set(re.findall(r'which\("(\w+)"\)', path.read_text(encoding="utf-8")))
    needed = set(re.findall(r"[\w-]+", " ".join(
        line for line in (ROOT / "Makefile").read_text(encoding="utf-8").splitlines()
        if ".ci/need" in line)))
    assert "gnucap" in asked
    assert asked - needed <= {"bash", "node", "git"}  # every Debian has bash; node comes by nodejs

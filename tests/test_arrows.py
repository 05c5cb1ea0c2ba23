"""The arrows of the house: circuits <- faultlib <- diagnose, and what a warm command never imports.

Every module of a package is imported in a fresh process, so that an import hidden in a corner
counts as well. Source of the rule: the project's own architecture.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SLOW = ("scipy.stats", "networkx", "matplotlib", "rich", "PySpice")

WALK = """
import importlib, json, pkgutil, sys
package = importlib.import_module(sys.argv[1])
names = [sys.argv[1]]
if sys.argv[2] == "whole":
    for found in pkgutil.walk_packages(package.__path__, sys.argv[1] + "."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
            names.append(found.name)
print(json.dumps({"imported": names, "loaded": sorted(sys.modules)}))
"""


def loaded(package: str, how: str = "whole", code: str = WALK) -> dict[str, list[str]]:
    run = subprocess.run(
        [sys.executable, "-c", code, package, how],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        timeout=120,
    )
    assert run.returncode == 0, run.stderr
    answer: dict[str, list[str]] = json.loads(run.stdout)
    return answer


def of(package: str, modules: list[str]) -> list[str]:
    return [name for name in modules if name == package or name.startswith(package + ".")]


@pytest.mark.parametrize(
    ("package", "forbidden"),
    [("circuits", ("faultlib", "diagnose")), ("faultlib", ("diagnose",))],
)
def test_no_arrow_runs_back(package: str, forbidden: tuple[str, ...]) -> None:
    answer = loaded(package)
    files = {p.stem for p in (ROOT / package).glob("*.py")} - {"__init__"}
    assert files <= {name.split(".")[1] for name in answer["imported"] if "." in name}
    for other in forbidden:
        assert not of(other, answer["loaded"])


def test_an_arrow_that_runs_back_is_seen() -> None:
    """The method finds a planted arrow: a test that cannot fail is none."""
    planted = WALK + "\n"
    planted = planted.replace("print(", "import faultlib\nprint(", 1)
    assert of("faultlib", loaded("circuits", "top", planted)["loaded"])


@pytest.mark.parametrize("package", ["circuits", "faultlib", "diagnose"])
def test_nothing_slow_comes_with_an_import(package: str) -> None:
    """Whole packages, the command line included: what is slow is imported where it is used."""
    answer = loaded(package)
    assert [name for name in SLOW if of(name, answer["loaded"])] == []

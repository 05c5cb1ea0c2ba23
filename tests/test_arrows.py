"""The arrows of the house: which room may import which, and what a warm command never imports.

Arrows are read from the source, imports inside functions included, so that none hides in a corner
that no test runs. Source of the rule: the project's own guide for developers.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("circuits", "faultlib", "diagnose")
_LOW = ("circuits", "circuits.load", "circuits.spice", "circuits.signals", "faultlib")
_SHEET = (*_LOW, "diagnose.schema", "diagnose.sheet")
_INFERENCE = (*_SHEET, "diagnose.inference")
_ADVICE = (*_INFERENCE, "diagnose.advice")
_ANSWER = (*_ADVICE, "diagnose.answer")
_STUDIES = (*_ANSWER, "diagnose.studies")
_SHOW = (*_STUDIES, "diagnose.log", "diagnose.recording", "diagnose.stimulus", "diagnose.traces",
         "diagnose.soundcard", "diagnose.show", "diagnose.show.stage")
MAY = {
    "circuits": (),
    # stage files may name devices that stand in a netlist's words, so loading is above both
    "circuits.load": ("circuits", "circuits.spice"),
    "circuits.spice": ("circuits",),
    "circuits.signals": ("circuits",),
    "circuits.batch.devices": ("circuits",),
    "circuits.bench": ("circuits", "circuits.signals"),
    # what the batch cannot do it hands to the simulator of one circuit, in whose words it is asked
    "circuits.batch": ("circuits", "circuits.signals", "circuits.bench", "circuits.batch.devices"),
    "faultlib": ("circuits", "circuits.signals", "circuits.bench", "circuits.batch"),
    "diagnose.schema": _LOW,
    "diagnose.sheet": _LOW,
    # a sweep is read by what is played before it
    "diagnose.recording": (*_SHEET, "diagnose.stimulus"),
    "diagnose.stimulus": (*_LOW, "diagnose.schema"),
    "diagnose.traces": (*_SHEET, "diagnose.recording"),
    "diagnose.instruments": _SHEET,
    # what a card has taken is told beside what good units read
    "diagnose.soundcard": (*_STUDIES, "diagnose.recording", "diagnose.stimulus"),
    "diagnose.inference": _SHEET,
    "diagnose.advice": _INFERENCE,
    "diagnose.answer": _ADVICE,
    "diagnose.log": _ANSWER,
    "diagnose.studies": _ANSWER,
    "diagnose.show.stage": _LOW,
    "diagnose.show": _SHOW,
    "diagnose.web": (*_SHOW, "diagnose.instruments"),
    "diagnose.door": (*_SHOW, "diagnose.web"),
    "diagnose.cli": (*_SHOW, "diagnose.web", "diagnose.door", "diagnose.instruments"),
}
"""Every room, and the rooms it may import from besides itself."""
SLOW = ("scipy.stats", "networkx", "matplotlib", "rich", "PySpice", "distributed")

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


def modules(root: Path = ROOT) -> dict[str, Path]:
    """Every module of the three packages by its dotted name."""
    found = {}
    for path in sorted(p for package in PACKAGES for p in (root / package).rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def arrows(found: dict[str, Path]) -> nx.DiGraph:
    """Module → module that it imports, wherever in its file."""
    graph = nx.DiGraph()
    for name, path in found.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                whole = [f"{node.module}.{alias.name}" for alias in node.names]
                named = [word if word in found else str(node.module) for word in whole]
            elif isinstance(node, ast.Import):
                named = [alias.name for alias in node.names]
            else:
                continue
            graph.add_edges_from((name, other) for other in named if other in found)
    return graph


@cache
def house() -> nx.DiGraph:
    """The arrows of the house as it stands."""
    return arrows(modules())


def room(module: str) -> str:
    """The folder a module lives in; the front door and ``python -m`` live in none."""
    if module in ("diagnose", "diagnose.__main__"):
        return "front door"
    return module if module in MAY else module.rpartition(".")[0]


def backward(graph: nx.DiGraph) -> list[str]:
    """Arrows that the plan does not have."""
    return [
        f"{a} imports {b}"
        for a, b in graph.edges
        if room(a) != "front door" and room(b) != room(a) and room(b) not in MAY[room(a)]
    ]


def circles(graph: nx.DiGraph) -> list[list[str]]:
    return [sorted(c) for c in nx.strongly_connected_components(graph) if len(c) > 1]


def test_every_room_stands_in_the_plan() -> None:
    assert {room(name) for name in modules()} - {"front door"} == set(MAY)


def test_no_arrow_runs_back() -> None:
    assert backward(house()) == []


def test_no_circle_of_modules() -> None:
    assert circles(house()) == []


def test_no_circle_of_rooms() -> None:
    graph = house()
    rooms = nx.DiGraph((room(a), room(b)) for a, b in graph.edges if room(a) != room(b))
    assert circles(rooms) == []


def test_no_module_has_the_name_of_what_its_package_exports() -> None:
    """Else importing the module rebinds the name, and the function is gone."""
    import diagnose

    below = {name.split(".")[1] for name in modules() if name.startswith("diagnose.")}
    assert not below & set(diagnose.__all__)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("planted", "seen"),
    [
        ("circuits/planted.py", "circuits.planted imports faultlib.fault"),
        ("diagnose/sheet/planted.py", "diagnose.sheet.planted imports diagnose.show.text_page"),
    ],
)
def test_an_arrow_that_runs_back_is_seen(tmp_path: Path, planted: str, seen: str) -> None:
    """The method finds a planted arrow, inside a function too: a test that cannot fail is none."""
    found = modules()
    path = tmp_path / Path(planted).name
    target = seen.split()[-1]
    path.write_text(f"def hidden():\n    import {target}\n", encoding="utf-8")
    found[planted.removesuffix(".py").replace("/", ".")] = path
    assert backward(arrows(found)) == [seen]


@pytest.mark.slow
def test_a_circle_is_seen(tmp_path: Path) -> None:
    found = modules()
    for one, other in (("a", "b"), ("b", "a")):
        path = tmp_path / f"planted_{one}.py"
        path.write_text(f"from circuits import planted_{other}\n", encoding="utf-8")
        found[f"circuits.planted_{one}"] = path
    assert circles(arrows(found)) == [["circuits.planted_a", "circuits.planted_b"]]


@pytest.mark.slow
@pytest.mark.parametrize("package", ["circuits", "faultlib", "diagnose"])
def test_nothing_slow_comes_with_an_import(package: str) -> None:
    """Whole packages, the command line included: what is slow is imported where it is used."""
    answer = loaded(package)
    assert [name for name in SLOW if of(name, answer["loaded"])] == []

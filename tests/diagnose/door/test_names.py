"""The front door: every name is there, and what is slow waits until it is asked for."""

from __future__ import annotations

import doctest
import json
import random
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import pytest

import diagnose
from circuits.bench.workers import COUNT_VARIABLE

ROOT = Path(__file__).resolve().parents[3]
SLOW = ("scipy", "networkx", "matplotlib", "rich", "PySpice", "pebble")


def after(code: str) -> set[str]:
    """Top packages that are loaded after some code in a fresh process."""
    code += "\nimport json, sys\nprint(json.dumps(sorted({n.split('.')[0] for n in sys.modules})))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT,
                         check=True, timeout=60)
    return set(json.loads(run.stdout.splitlines()[-1]))


def test_every_name_opens() -> None:
    assert diagnose.__all__ == sorted(diagnose.__all__)
    for name in diagnose.__all__:
        assert getattr(diagnose, name) is not None
        assert name in dir(diagnose)


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = diagnose.nothing  # type: ignore[attr-defined]  # that is the point


ORDERS = """
import json, os, sys, types
import numpy  # what takes long to load, and is not looked at here

def wrong(names):
    import diagnose
    had = {name: getattr(__import__("diagnose", fromlist=[name]), name) for name in names}
    return [n for n, x in had.items() if isinstance(x, types.ModuleType)
            or x != getattr(diagnose, n)]

assert not [name for name in sys.modules if name.startswith("diagnose")]
for names in json.loads(sys.stdin.read()):
    # each in an interpreter of its own that has seen nothing of the package
    if not os.fork():
        answer = json.dumps(wrong(names))
        sys.stdout.write(answer + chr(10))
        sys.stdout.flush()
        os._exit(0)
    os.wait()
"""


def in_orders(orders: list[list[str]]) -> list[list[str]]:
    """For each order of imports the names that are modules, or change after they were imported."""
    run = subprocess.run([sys.executable, "-c", ORDERS], input=json.dumps(orders), text=True,
                         capture_output=True, cwd=ROOT, check=True, timeout=300)
    made = [json.loads(line) for line in run.stdout.splitlines()]
    assert len(made) == len(orders), run.stderr
    return made


@pytest.mark.slow
def test_every_name_opens_first_and_in_any_order() -> None:
    names = list(diagnose.__all__)
    orders = [[first, *(n for n in names if n != first)] for first in names]
    shuffled = [random.Random(k).sample(names, len(names)) for k in range(8)]
    assert in_orders([*orders, *shuffled, names[::-1]]) == [[]] * (len(orders) + 9)


def test_a_name_that_a_module_has_taken_is_seen() -> None:
    """The method sees a module in the place of a function, as the name of a room is one."""
    assert in_orders([["rank", "answer"]]) == [["answer"]]


def test_the_version_is_that_of_the_package() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert diagnose.__version__ == told["project"]["version"]


def test_types_are_told_to_those_who_import() -> None:
    """PEP 561: the marker lies in each package, and is among what is installed."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for package in ("circuits", "faultlib", "diagnose"):
        assert (ROOT / package / "py.typed").is_file()
        assert "py.typed" in told["tool"]["setuptools"]["package-data"][package]


@pytest.mark.parametrize(
    "module", ["diagnose", "diagnose.door.sheets", "diagnose.door.answers", "diagnose.door.views",
               "diagnose.door.signals", "diagnose.schema.documents"],
)
def test_the_examples_of_docstrings_run(
    module: str, shared_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    outcome = doctest.testmod(import_module(module))
    assert outcome.attempted > 0
    assert outcome.failed == 0


def test_importing_costs_nothing_slow() -> None:
    assert not after("import diagnose, diagnose.cli.main") & set(SLOW)
    # the names themselves load what they need, and the check sees it
    assert "rich" in after("from diagnose.show.text_page import Page\nPage()")


def test_a_ranking_from_the_store_starts_no_simulator() -> None:
    """The modules that a warm `rank` loads before it computes."""
    loaded = after("from diagnose import rank, load_case, Laboratory, Store, to_json")
    assert not loaded & {"matplotlib", "PySpice", "rich", "pebble", "networkx"}

"""The front door: every name is there, and what is slow waits until it is asked for."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import diagnose

ROOT = Path(__file__).resolve().parents[2]
SLOW = ("scipy", "networkx", "matplotlib", "rich", "PySpice", "pebble")


def after(code: str) -> set[str]:
    """Top packages that are loaded after some code in a fresh process."""
    code += "\nimport json, sys\nprint(json.dumps(sorted({n.split('.')[0] for n in sys.modules})))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT,
                         check=True, timeout=60)  # fmt: skip
    return set(json.loads(run.stdout.splitlines()[-1]))


def test_every_name_opens() -> None:
    assert diagnose.__all__ == sorted(diagnose.__all__)
    for name in diagnose.__all__:
        assert getattr(diagnose, name) is not None
        assert name in dir(diagnose)


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = diagnose.nothing  # type: ignore[attr-defined]  # that is the point


def test_importing_costs_nothing_slow() -> None:
    assert not after("import diagnose, diagnose.cli.main") & set(SLOW)
    # the names themselves load what they need, and the check sees it
    assert "rich" in after("import diagnose; diagnose.as_text\n"
                           "from diagnose.show.text_page import Page\nPage()")  # fmt: skip


def test_a_ranking_from_the_store_starts_no_simulator() -> None:
    """The modules that a warm `rank` loads before it computes."""
    loaded = after("from diagnose import rank, load_case, Laboratory, Store, to_json")
    assert not loaded & {"matplotlib", "PySpice", "rich", "pebble", "networkx"}

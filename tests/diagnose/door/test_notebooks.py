"""The notebooks of the examples run from top to bottom, and what they show stays small.

They are kept without their outputs, which would go stale; the front door makes them anew.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from circuits.bench.workers import COUNT_VARIABLE

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
FILES = sorted((ROOT / "examples" / "notebooks").glob("*.ipynb"))
MOST = 400_000
"""Characters that all outputs of a notebook may have together."""


def test_there_are_three() -> None:
    assert len(FILES) >= 3


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_a_notebook_is_kept_without_outputs_and_says_what_is_invented(path: Path) -> None:
    book = json.loads(path.read_text(encoding="utf-8"))
    code = [cell for cell in book["cells"] if cell["cell_type"] == "code"]
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    first = " ".join("".join(book["cells"][0]["source"]).split())
    assert re.search("invented case|[Nn]othing here was measured", first)
    assert "village hall" in first


@pytest.fixture(scope="module")
def outputs(
    tmp_path_factory: pytest.TempPathFactory, shared_store: Path
) -> dict[str, list[Any]]:
    pytest.importorskip("pandas", reason="the extra 'notebook' is not installed")
    nbclient = pytest.importorskip("nbclient", reason="the extra 'dev' is not installed")
    nbformat = pytest.importorskip("nbformat")
    pytest.importorskip("ipykernel")
    made = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
        patch.setenv("PYTHONPATH", str(ROOT))
        patch.setenv("IPYTHONDIR", str(tmp_path_factory.mktemp("ipython")))
        patch.setenv("JUPYTER_PLATFORM_DIRS", "1")
        patch.delenv(COUNT_VARIABLE, raising=False)
        for path in FILES:
            book = nbformat.read(path, as_version=4)
            nbclient.NotebookClient(book, timeout=300, kernel_name="python3",
                                    resources={"metadata": {"path": str(ROOT)}}).execute()
            made[path.stem] = [x for c in book.cells for x in c.get("outputs", [])]
    return made


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_every_notebook_runs_and_its_outputs_are_small(outputs: dict[str, list[Any]]) -> None:
    for name, shown in outputs.items():
        assert shown, name
        assert [x for x in shown if x["output_type"] == "error" or x.get("name") == "stderr"] == []
        assert len(json.dumps(shown)) < MOST, name


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_objects_show_themselves(outputs: dict[str, list[Any]]) -> None:
    kinds = [set(x.get("data", {})) for shown in outputs.values() for x in shown]
    assert sum("image/svg+xml" in kind for kind in kinds) >= 4
    reports = [x["data"]["text/html"] for x in outputs["one-case"]
               if "amplifier-fault-answer" in x.get("data", {}).get("text/html", "")]
    assert len(reports) == 1
    assert "Report on a repair" in reports[0]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_case_is_solved_as_the_trade_would(outputs: dict[str, list[Any]]) -> None:
    """Trade: bass that falls below 50 Hz with the voltages right is a dry capacitor.

    One at the output raises the impedance there, so it is another where that is right; and a unit
    that reads right after the change is cured.
    """
    said = json.dumps(outputs["one-case"])
    assert re.search(r"Result Records sound thin.{0,60}C3 capacitance loss", said)
    assert "The fault is gone: with C3 replaced" in said

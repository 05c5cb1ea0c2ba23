"""What all tests share."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

LONG = (
    "test_noise_with_signal", "test_own_circuit", "test_examples", "test_accuracy",
    "test_published_filters", "test_readme", "test_two_faults", "test_states",
)
"""Files of few tests that take half a minute and more: begun first, so that at the end of a run no
worker waits for one of them (measured: a minute of ten)."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the long files first, in their order; the others stay as they were."""
    place = {name: k for k, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONG)))


@pytest.fixture(scope="session", autouse=True)
def no_log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Sheets and the log of closed jobs in a folder of the run.

    Whoever has a log of their own gets the same answers here as all others.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AMP_DIAGNOSE_SHEETS", str(tmp_path_factory.mktemp("sheets")))
        yield


@pytest.fixture(scope="session")
def shared_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One store for a whole run, so that the same sheet is simulated once in it.

    For tests of what an answer says; those of simulating and of the store have their own.
    """
    base = tmp_path_factory.getbasetemp()
    # the workers of a run have a folder each, side by side
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder = base / "shared-store"
    folder.mkdir(exist_ok=True)
    return folder

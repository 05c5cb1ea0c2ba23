"""What all tests share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


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

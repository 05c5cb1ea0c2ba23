"""The fuzzer runs, where it is installed: some seconds of it, so that it does not rot."""

from __future__ import annotations

import pytest

from tests.hostile import fuzz

pytest.importorskip("atheris", reason="atheris has no wheel for this Python, or is not installed")


@pytest.mark.slow
def test_two_seconds_of_the_fuzzer_find_nothing(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = fuzz.run("quantity", 2.0)
    assert told["found"] == ""
    assert isinstance(told["tried"], int)
    assert told["tried"] > 100
    assert isinstance(told["edges"], int)
    assert told["edges"] > 20

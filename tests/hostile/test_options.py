"""The short form of commands with harmed options; the campaign runs more of them."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

import pytest

from diagnose.cli.main import main
from tests.hostile import options


@pytest.mark.slow
def test_harmed_options_of_signals_and_cards_end_in_an_answer_or_a_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    count: Counter[int] = Counter()
    for number in range(60):
        words = options.words_of(Random(f"short {number}"), tmp_path / "input")
        if words[0] == "rank":  # which waits for a cluster
            continue
        try:
            code = main(words)
        except SystemExit as error:  # words that are none
            code = int(str(error.code))
        told = capsys.readouterr()
        assert "Traceback" not in told.err, words
        assert all(sign.isprintable() or sign in "\n\t" for sign in told.err), words
        assert code in (0, 2), words
        assert told.err or code == 0, words
        count[code] += 1
    assert min(count[0], count[2]) > 5

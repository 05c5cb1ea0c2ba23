"""Whose value stays in a row, of a person or of the card; what is expected is put there here."""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.cli.main import main
from diagnose.sheet.case import load_case
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibration import keep
from diagnose.soundcard.meanwhile import Meanwhile, stays
from diagnose.soundcard.taken import Taken
from tests.diagnose.soundcard.fake_card import FakeCard
from tests.diagnose.soundcard.test_session import DATA, OWN, SHEET

STAGE = load_stage(str(DATA / "coupling.yaml"))
LOW = Reading("gain", frequency=20.0)
ONE = Taken(LOW, LOW, -0.5)
EMPTY = "20 Hz, value: "


def typed(before: str, now: str, one: Taken = ONE) -> str:
    """What stays of a sheet that was one text and is another by now."""
    return Meanwhile(before, STAGE).typed(now, one, "")


def test_a_value_typed_since_stays_and_one_that_stood_there_is_read_anew() -> None:
    filled, other = (SHEET.replace(EMPTY, f"{EMPTY}{x}") for x in ("-2 dB", "-3 dB"))
    assert typed(SHEET, SHEET) == ""
    assert typed(SHEET, filled) == "-2 dB"
    assert typed(filled, filled) == ""  # asked for with its value
    assert typed(filled, other) == "-3 dB"
    assert typed(filled, SHEET) == ""  # taken out: nothing to keep
    assert typed("readings: []\n", filled) == "-2 dB"  # a row of its own
    assert typed(SHEET, "readings: [{quantity: ") == ""  # another place says what is wrong


def test_what_the_session_wrote_is_its_own_until_somebody_changes_it() -> None:
    session = Meanwhile(SHEET, STAGE)
    session.wrote(ONE, "")
    assert session.typed(SHEET.replace(EMPTY, f"{EMPTY}{ONE.text()}"), ONE, "") == ""
    assert session.typed(SHEET.replace(EMPTY, f"{EMPTY}1 dB"), ONE, "") == "1 dB"
    assert "gain at 20 Hz, left was typed meanwhile: 1 dB stays" in stays(ONE, "left", "1 dB")


class Typing:
    """Standard input of somebody who edits the sheet beside: its lines, each with what is typed."""

    def __init__(self, path: Path, lines: list[str], value: str) -> None:
        self.path, self.lines, self.value = path, lines, value

    def __iter__(self) -> Typing:
        return self

    def __next__(self) -> str:
        if not self.lines:
            raise StopIteration
        line = self.lines.pop(0)
        if "type" in line:
            text = self.path.read_text(encoding="utf-8")
            self.path.write_text(text.replace(EMPTY, EMPTY + self.value), encoding="utf-8")
            line = ""
        return line + "\n"


@pytest.mark.slow
@pytest.mark.parametrize("again", [False, True])
def test_the_command_leaves_what_was_typed_unless_the_step_is_repeated(
    again: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for variable in ("AMP_DIAGNOSE_CARDS", "AMP_DIAGNOSE_CACHE"):
        monkeypatch.setenv(variable, str(tmp_path / variable))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    monkeypatch.setattr(portaudio, "card", lambda player, recorder, rate: FakeCard())
    keep(OWN)
    path = tmp_path / "sheet.yaml"
    # a second step, of noise, stands behind that of the gains: there the first is repeated
    path.write_text(SHEET.replace("limits:", "  - {quantity: noise, value: }\nlimits:"),
                    encoding="utf-8")
    lines = ["", "type", "", *(["r", ""] if again else []), "q"]
    monkeypatch.setattr("sys.stdin", Typing(path, lines, "-7 dB"))
    assert main(["take", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "gain at 20 Hz, into 10 kΩ was typed meanwhile: -7 dB stays, and " in err
    low = next(m for m in load_case(path).readings if m.reading.frequency == 20.0)
    if again:  # a cable: 0 dB, but for the card's ohms and the coupling of none
        assert low.value == pytest.approx(0.0, abs=0.2)
        assert low.reading.load == 10e3
    else:
        assert low.value == -7.0
        assert not low.reading.load
        assert "1 reading in" in out

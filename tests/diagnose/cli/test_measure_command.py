"""``diagnose measure``: options, sheet, document, text, and content that is no recording.

What was put into a recording is the truth; a sheet is read back by the loader of sheets.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from diagnose.cli.main import main
from diagnose.recording.measurement import sheet_lines, to_json
from diagnose.recording.measuring import Options, measure
from diagnose.recording.options import checked_options
from diagnose.recording.recognise import SIGNALS
from diagnose.sheet.case import load_case
from diagnose.show.text_measurement import measure_text
from tests.recordings import distorted, taken, times, tones, write

DATA = Path(__file__).resolve().parents[2] / "data"


def test_options_are_words_and_values_that_are_known() -> None:
    assert checked_options(mains=60.0).mains == 60.0
    for wrong in ("sinus", "difference"):
        with pytest.raises(InputError, match="no signal"):
            checked_options(signal=wrong)
    with pytest.raises(InputError, match="no channel"):
        checked_options(channel="middle")
    with pytest.raises(InputError, match="no channel"):
        checked_options(driven="none")
    with pytest.raises(InputError, match="full scale"):
        checked_options(full_scale=-1.0)
    with pytest.raises(InputError, match="mains"):
        checked_options(mains=5000.0)


def test_the_lines_for_a_sheet_are_a_sheet(tmp_path: Path) -> None:
    """Pasted below a stage they load, with the values and conditions that were measured."""
    head = f"stage: {DATA / 'small.yaml'}\n"
    waves = [distorted(0.5, {2: 0.01, 3: 1e-3}) + tones({100.0: 1e-4, 50.0: 1e-3}),
             distorted(0.4, {2: 1e-3}) + tones({100.0: 1e-3})]
    for count, top in ((1, ""), (2, "suspect: right\n")):
        made = taken(tmp_path, *waves[:count], told=Options(full_scale=2.0))
        sheet = tmp_path / "sheet.yaml"
        sheet.write_text(head + top + sheet_lines(made), encoding="utf-8")
        case = load_case(sheet)
        wanted = made.readings("right" if count == 2 else "")
        assert len(case.readings) == len(wanted) > 10
        for got, sent in zip(case.readings, wanted, strict=True):
            assert got.reading == sent.reading
            assert got.bound == sent.bound
            assert got.value == pytest.approx(sent.value, rel=6e-4)


def test_the_document_and_the_text_hold_every_item(tmp_path: Path) -> None:
    waves = distorted(0.5, {2: 0.01}), distorted(0.4, {2: 0.001})
    made = taken(tmp_path, *waves, told=Options(full_scale=2.0))
    document = to_json(made)
    assert document["signal"] == "sine"
    assert len(document["items"]) == len(made.items)
    thd = next(i for i in document["items"] if i["name"] == "thd")
    assert thd["unit"] == "%"
    assert thd["value"] == pytest.approx(1.0, rel=1e-3)
    assert thd["reading"]["output level"] == 1.0
    text = measure_text(made)
    assert all(item.name in text for item in made.items)
    assert max(map(len, text.splitlines())) <= 80


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(write(tmp_path / "x.flac", distorted(0.5, {2: 0.01}), form="FLAC"))
    assert main(["measure", path, "--json", "--full-scale", "+20 dBu"]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    document = json.loads(told.out)
    # 0 dBu is √0.6 V; half of full scale is 6.02 dB below it
    assert document["full scale"] == pytest.approx(math.sqrt(0.6) * 10.0)
    assert document["items"][0]["value"] == pytest.approx(math.sqrt(0.6) * 5.0, rel=1e-4)
    assert main(["measure", path, "--yaml"]) == 0
    told = capsys.readouterr()
    assert told.out.startswith("readings:\n  - {quantity: thd, frequency: 997 Hz, value: 1 %}\n")
    assert "note: " in told.err
    assert main(["measure", path]) == 0
    assert "harmonic 2" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "offered"),
    [(["--signal", "sinus"], "sine"), (["--full-scale", "2 Vpp"], "RMS"),
     (["--mains", "50 V"], "Hz"), (["--channel", "rihgt"], "right"), (["--yaml", "--json"], "--")],
)
def test_what_cannot_be_used_is_one_message(
    words: list[str], offered: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(write(tmp_path / "x.wav", distorted(0.5, {2: 0.01})))
    assert main(["measure", path, *words]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert offered in told.err
    assert "Traceback" not in told.err


def answered(path: Path, told: Options | None = None) -> None:
    """A document without infinities, or a message that names the file."""
    try:
        document = to_json(measure(path, told))
    except InputError as error:
        message = str(error)
    else:
        message = str(path) + json.dumps(document, allow_nan=False)
    assert str(path) in message


@pytest.mark.slow
def test_any_content_is_measured_or_refused(tmp_path: Path) -> None:
    """Waves that are no test signal, and files with bytes changed: an answer or one message."""
    random = np.random.default_rng(9)
    time = times(1.0)
    waves = [
        0.0 * time + 0.3, np.sign(random.standard_normal(len(time))), np.cumsum(
            random.standard_normal(len(time))) / 2000.0, (time == time[20000]) * 0.9,
        np.round(random.random(len(time)) * 1.4) * 2.0**-15, 0.5 * np.sin(4e4 * time**3),
        tones({23.9e3: 0.3}, 1.0), tones({4.0: 0.3}, 1.0), (time % 0.01) * 50.0,
    ]
    for wave in waves:
        for kind in ("", *SIGNALS):
            path = write(tmp_path / "x.wav", wave, wave[::-1], subtype="PCM_16")
            answered(path, Options(signal=kind, full_scale=1.0))
    content = write(tmp_path / "x.flac", waves[2], form="FLAC", subtype="PCM_16").read_bytes()
    for _ in range(30):
        changed = bytearray(content)
        for place in random.integers(0, min(len(content), 400), 3):
            changed[place] = int(random.integers(256))
        (tmp_path / "y.flac").write_bytes(changed)
        answered(tmp_path / "y.flac")

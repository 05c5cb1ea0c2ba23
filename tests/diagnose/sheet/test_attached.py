"""Photos and traces beside a sheet: named in it, copied, shown in its report and never weighed.

Outside: Pillow, which writes the photos and reads back what a report embeds; the drawing's points
are held against the file's own numbers.
"""

from __future__ import annotations

import base64
import io
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from circuits.errors import InputError
from diagnose.cli.main import main
from diagnose.sheet.attached import Attached
from diagnose.sheet.attaching import attach
from diagnose.sheet.case import load_case
from diagnose.show.attached_views import embedded, trace_figure, views
from diagnose.traces.trace_file import load_trace, read_table

TRACES = Path(__file__).resolve().parents[2] / "data" / "traces"
SHEET = """\
# mine
stage: phono-two-transistor
readings:
  - {quantity: dc voltage, at: c1, value: 1.39 V, photo: meter.jpg}  # seen
limits: []
"""


def photo(path: Path, size: tuple[int, int] = (1600, 1200), turned: bool = False) -> Path:
    """Left half red, right half blue; `turned` says that it is to be shown on its side."""
    made = Image.new("RGB", size, (200, 0, 0))
    made.paste((0, 0, 200), (size[0] // 2, 0, *size))
    noted = Image.Exif()
    noted[0x0112] = 6 if turned else 1
    noted[0x010F] = "SECRET PLACE"
    made.save(path, exif=noted)
    return path


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "sheet.yaml").write_text(SHEET, encoding="utf-8")
    photo(folder / "meter.jpg")
    return folder / "sheet.yaml"


def shown(address: str) -> Image.Image:
    kind, _, body = address.partition(",")
    assert kind == "data:image/jpeg;base64"
    return Image.open(io.BytesIO(base64.b64decode(body)))


def test_the_photo_of_a_reading_belongs_to_the_case(sheet: Path) -> None:
    assert load_case(sheet).attached == (Attached("meter.jpg", "dc voltage at c1: 1.39 V"),)


def test_files_are_copied_and_named(sheet: Path, tmp_path: Path) -> None:
    assert attach(sheet, photo(tmp_path / "My board.jpeg"), "R12 is burnt") == "My-board.jpg"
    assert attach(sheet, TRACES / "ringing.csv") == "ringing.csv"
    text = sheet.read_text(encoding="utf-8")
    assert text == SHEET + (
        "attached:\n  - {file: My-board.jpg, words: R12 is burnt}\n  - ringing.csv\n")
    assert (sheet.parent / "ringing.csv").read_bytes() == (TRACES / "ringing.csv").read_bytes()
    assert [one.words for one in load_case(sheet).attached[1:]] == ["R12 is burnt", ""]


def test_another_file_of_the_same_name_gets_a_name_of_its_own(sheet: Path, tmp_path: Path) -> None:
    first = photo(tmp_path / "a.jpg", (40, 30))
    assert attach(sheet, first) == "a.jpg"
    assert attach(sheet, first) == "a.jpg"
    assert attach(sheet, photo(tmp_path / "a.jpg", (60, 30))) == "a-2.jpg"
    assert len(load_case(sheet).attached) == 3


@pytest.mark.parametrize(("before", "after"), [
    ("attached: []\n", "attached: \n  - x.csv\n"),
    ("attached: [edge.csv]\n", "attached: [edge.csv, x.csv]\n"),
    ("attached:\n    - edge.csv  # first\n", "attached:\n    - edge.csv  # first\n    - x.csv\n"),
])
def test_a_list_that_is_there_goes_on(sheet: Path, tmp_path: Path, before: str, after: str) -> None:
    sheet.write_text(SHEET + before, encoding="utf-8")
    shutil.copy(TRACES / "one-pole.csv", tmp_path / "x.csv")
    attach(sheet, tmp_path / "x.csv")
    assert sheet.read_text(encoding="utf-8") == SHEET + after


@pytest.mark.parametrize(("key", "told"), [
    ("attached: [../board.jpg]\n", "leads out of the folder"),
    ("attached: [board.exe]\n", "is neither a photo nor a trace"),
    ("attached: [{words: nothing}]\n", "has no 'file'"),
])
def test_a_wrong_list_is_one_message_with_its_line(sheet: Path, key: str, told: str) -> None:
    sheet.write_text(SHEET + key, encoding="utf-8")
    with pytest.raises(InputError, match=told) as caught:
        load_case(sheet)
    assert f"{sheet}:6:" in str(caught.value)


def test_what_only_says_that_it_is_a_photo_is_refused(sheet: Path, tmp_path: Path) -> None:
    (tmp_path / "no.jpg").write_bytes(b"MZ")
    with pytest.raises(InputError, match="this is no picture"):
        attach(sheet, tmp_path / "no.jpg")
    assert sheet.read_text(encoding="utf-8") == SHEET
    assert not (sheet.parent / "no.jpg").exists()


def test_a_photo_is_scaled_upright_and_without_what_the_camera_noted(tmp_path: Path) -> None:
    address = embedded(photo(tmp_path / "a.jpg", turned=True))
    made = shown(address)
    assert made.size == (750, 1000)
    # turned by a quarter clockwise, what was left is above
    assert made.getpixel((375, 100))[0] > 150  # type: ignore[index]
    assert made.getpixel((375, 900))[2] > 150  # type: ignore[index]
    assert not made.getexif()
    assert b"SECRET" not in base64.b64decode(address.partition(",")[2])


def test_a_trace_is_drawn_with_its_extremes() -> None:
    trace = load_trace(read_table(TRACES / "ringing.csv"))
    (panel,) = trace_figure(trace).panels
    (line,) = panel.series
    assert (min(line.y), max(line.y)) == (trace.values.min(), trace.values.max())
    assert (line.x[0], line.x[-1]) == (trace.time[0], trace.time[-1])
    assert np.isin(line.y, trace.values[0]).all()
    assert len(line.x) < 250
    assert (panel.x.unit, panel.y.unit) == ("s", "V")


def test_what_is_missing_or_broken_is_said_and_stops_nothing(sheet: Path) -> None:
    sheet.write_text(SHEET + "attached: [gone.csv, words.csv, half.jpg]\n", encoding="utf-8")
    (sheet.parent / "words.csv").write_text("nothing,here\n", encoding="utf-8")
    (sheet.parent / "half.jpg").write_bytes((sheet.parent / "meter.jpg").read_bytes()[:900])
    one, *others = views(load_case(sheet))
    assert one.picture
    assert [bool(view.missing) for view in others] == [True] * 3


@pytest.mark.slow
def test_the_report_shows_them(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch, shared_store: Path,
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
    given = [str(sheet), str(TRACES / "phase.csv"), "--words", "20 kHz <at> 1 V"]
    assert main(["attach", *given]) == 0
    assert "phase.csv lies beside" in capsys.readouterr().err
    assert main(["report", str(sheet), "-o", str(tmp_path / "r.html")]) == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    part = page[page.index("Photos and traces") :]
    (address,) = re.findall(r'<img src="([^"]+)"', part)
    assert max(shown(address).size) == 1000
    assert "dc voltage at c1: 1.39 V (meter.jpg)" in part
    assert "20 kHz &lt;at&gt; 1 V (phase.csv)" in part
    assert 'data-label="1"' in part
    assert not re.findall(r'(?:src|href)="(?!data:|#)', page)

"""The page of plots, and the report as the record of a session: what stands there is the sheet's.

What must be read there was put there: values of the sheet, and the lines of a recording made here.
"""

from __future__ import annotations

import io
import math
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml
from flask.testing import FlaskClient

from diagnose.answer.ranking import rank
from diagnose.sheet.case import load_case
from diagnose.show.answer_figure import answer_figure
from diagnose.show.report_file import in_short, report_html
from faultlib.simulate import Laboratory
from faultlib.store import Store
from tests.diagnose.web.browsing import name_of, saved
from tests.diagnose.web.test_report import Read

DATA = Path(__file__).resolve().parents[2] / "data"
MENDED = f"""
case: No bass
stage: {DATA / "coupling.yaml"}
age: 41
meter: 10 Mohm
record: {{unit: invented hall amplifier, technician: the bench, taken: 3 May, instruments: a meter}}
readings:
  - {{quantity: gain, points: {{10 Hz: -5.5 dB, 20 Hz: -2.1 dB, 1 kHz: 0 dB}}}}
limits:
  - {{quantity: gain, frequency: 20 Hz, min: -1 dB}}
repaired:
  - part: C1
    readings: [{{quantity: gain, points: {{10 Hz: -0.11 dB, 20 Hz: -0.03 dB, 1 kHz: 0 dB}}}}]
"""


def tone(path: Path) -> Path:
    t = np.arange(2 * 48000) / 48000.0
    wave = 0.5 * np.sin(2.0 * math.pi * 1e3 * t) + 0.005 * np.sin(2.0 * math.pi * 2e3 * t)
    soundfile.write(path, wave, 48000, subtype="PCM_24")
    return path


@pytest.mark.slow
def test_the_report_stands_as_the_record_of_the_session(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(MENDED, encoding="utf-8")
    case = load_case(path)
    with Laboratory(Store(None), workers=0) as bench:
        result = rank(case, bench)
        figure = answer_figure(case, result.suspects[0], bench)
    short = dict(in_short(case, result))
    assert list(short) == ["Verdict", "Cause", "Repair", "Proof"]
    assert "gain at 20 Hz is 1.10 dB under" in short["Verdict"]
    assert "C1 capacitance loss" in short["Cause"]  # 1 uF into 10 kohm by the readings
    assert short["Repair"] == "C1 replaced"
    assert "The fault is gone" in short["Proof"]
    assert "After the repair, the unit meets the published figure." in short["Proof"]
    read = Read()
    read.feed(report_html(case, result, figure, date(1974, 3, 9)))
    said = " ".join(" ".join(read.texts).split())
    for words in ("Age 41 years", "Meter 10 Mohm", "Measured on 3 May", "Measured with a meter",
                  "Technician the bench", "9 March 1974", "Published figures after the repair",
                  "Published figures before the repair", "✗ NOT MET gain at 20 Hz -2.10 dB",
                  "✓ met gain at 20 Hz -0.03 dB", "after C1 replaced"):
        assert words in said, words
    # a cause that was written down stands before what readings point to
    written = load_case_with(path, "taken: 3 May", "cause: a dry capacitor")
    assert dict(in_short(written, result))["Cause"] == "a dry capacitor"


def load_case_with(path: Path, old: str, new: str) -> Any:
    path.write_text(MENDED.replace(old, new), encoding="utf-8")
    return load_case(path)


@pytest.mark.slow
def test_a_recording_on_the_page_is_named_on_the_sheet_and_plotted_beside_what_was_read(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    opened.set_input_files("#file", tone(tmp_path / "tone.wav"))
    opened.locator("#scale").fill("2 V")
    opened.get_by_role("button", name="Read it").click()
    opened.wait_for_selector("#drop p[role=status]")
    saved(opened)
    sheet = served.sheets / name_of(opened) / "sheet.yaml"
    kept = yaml.safe_load(sheet.read_text(encoding="utf-8"))
    assert kept["recordings"] == [{"file": "tone.wav", "full scale": "2 V"}]
    opened.goto(f"/sheet/{name_of(opened)}/plots")
    opened.wait_for_selector("#plots[data-shown=good]")
    titles = opened.locator("#plots figcaption").all_inner_texts()
    assert titles[0] == "gain"
    assert "spectrum: tone.wav" in titles
    gain = opened.locator("#plots figure").first
    steer = gain.locator(".steer")
    steer.focus()
    steer.press("Home")
    assert steer.get_attribute("aria-valuetext").startswith("10 Hz: measured -5.48 dB; good units ")
    gain.locator("summary").click()
    assert gain.get_by_role("row", name="10 Hz").inner_text().split("\t")[1] == "-5.48 dB"
    heard = opened.locator("#plots figure", has_text="spectrum: tone.wav").last
    # half of full scale, of 2 V, and a second harmonic 40 dB below
    lines = {g.get_attribute("data-label"): g.get_attribute("data-y")
             for g in heard.locator("g.series").all()}
    assert float(lines["signal"]) == pytest.approx(1.0, rel=1e-3)
    # further ones may be those of the digits, far below
    assert float(lines["harmonics, by number"].split()[0]) == pytest.approx(0.01, rel=1e-2)
    opened.set_viewport_size({"width": 360, "height": 740})
    opened.reload()
    opened.wait_for_selector("#plots[data-shown=good]")
    assert opened.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.slow
def test_a_sheet_that_is_not_ranked_has_its_plots(client: FlaskClient) -> None:
    sent = {"files": [(io.BytesIO((DATA / file).read_bytes()), file)
                      for file in ("coupling-dry.yaml", "coupling.yaml")]}
    name = client.post("/sheets/open", data=sent).get_json()["sheet"]
    page = client.get(f"/sheet/{name}/plots").get_data(as_text=True)
    assert 'data-steps="measured good"' in page
    drawn = client.get(f"/sheet/{name}/plots/drawn?step=measured").get_data(as_text=True)
    assert "<figcaption>gain</figcaption>" in drawn
    assert "good units" not in drawn
    one = client.get(f"/sheet/{name}/plots/drawn?step=measured&panel=0&view=0:15,50")
    assert "<figcaption>gain</figcaption>" in one.get_data(as_text=True)
    refused = client.get(f"/sheet/{name}/plots/drawn?step=other")
    assert refused.status_code == 422
    assert "measured" in refused.get_json()["error"]

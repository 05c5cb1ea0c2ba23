"""Which plots a sheet makes, and what stands on them: the values that were given, and its limits.

The outside truth is the sheet itself; where nine in ten of a normal distribution lie is a table's
(1.645 standard deviations).
"""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from circuits.reading import Reading
from diagnose.sheet.case import load_case
from diagnose.show.answer_curves import curves_of
from diagnose.show.answer_figure import answer_figure, measured_figure
from diagnose.show.chart_svg import chart
from diagnose.show.chart_table import table
from diagnose.show.figure import Bounds, Figure
from faultlib.signature import signatures
from faultlib.simulate import Laboratory
from faultlib.store import Store

DATA = Path(__file__).resolve().parents[2] / "data"
HEAD = f"""
stage: {DATA / "coupling.yaml"}
suspect: right
channels:
"""
LEVELS = HEAD + """
  left:
    readings:
      - {quantity: thd, frequency: 1 kHz, load: 8 ohm, points: {1 W: 0.05 %, 10 W: 0.04 %}}
      - {quantity: crosstalk, points: {1 kHz: -60 dB, 10 kHz: -48 dB}}
  right:
    readings:
      - {quantity: thd, frequency: 1 kHz, load: 8 ohm,
         points: {0.1 W: 0.9 %, 1 W: 0.45 %, 10 W: 0.24 %}}
      - {quantity: thd, power: 10 W, load: 8 ohm, points: {20 Hz: 0.26 %, 10 kHz: 0.8 %}}
      - {quantity: crosstalk, points: {1 kHz: "< -90 dB", 10 kHz: -44 dB}}
      - {quantity: harmonic, order: 2, frequency: 1 kHz, power: 10 W, load: 8 ohm, value: -66 dB}
      - {quantity: harmonic, order: 3, frequency: 1 kHz, power: 10 W, load: 8 ohm, value: -52 dB}
      - {quantity: output impedance, points: {100 Hz: 90 mohm, 10 kHz: 0.2 ohm}}
      - {quantity: dc voltage, at: out, value: 0 V}
supply: own
limits:
  - {quantity: thd, frequency: 1 kHz, power: 10 W, load: 8 ohm, max: 0.1 %}
  - {quantity: thd, power: 10 W, load: 8 ohm, band: 40 Hz to 16 kHz, max: 0.5 %}
  - {quantity: thd, frequency: 1 kHz, power: 50 W, load: 8 ohm, max: 1 %}
"""


def figure_of(text: str, folder: Path) -> Figure:
    path = folder / "sheet.yaml"
    path.write_text(text, encoding="utf-8")
    return measured_figure(load_case(path))


def test_a_reading_stands_on_every_axis_on_which_another_one_stands_beside_it(
    tmp_path: Path
) -> None:
    panels = {p.title: p for p in figure_of(LEVELS, tmp_path).panels}
    assert list(panels) == [
        "thd at 1 kHz against power, into 8 Ω", "thd, 10 W into 8 Ω", "crosstalk",
        "harmonics at 1 kHz, 10 W into 8 Ω", "output impedance",
    ]
    over = panels["thd at 1 kHz against power, into 8 Ω"]
    assert (over.x.label, over.x.unit, over.y.unit) == ("power", "W", "%")
    assert [(s.label, s.x, s.y) for s in over.series] == [
        ("right, measured", (0.1, 1.0, 10.0), (0.009, 0.0045, 0.0024)),
        ("left, measured", (1.0, 10.0), (0.0005, 0.0004)),
    ]
    # the reading at 1 kHz and 10 W stands on both
    along = panels["thd, 10 W into 8 Ω"]
    assert along.series[0].x == (20.0, 1e3, 10e3)
    assert along.series[0].y[1] == over.series[0].y[2]
    assert panels["harmonics at 1 kHz, 10 W into 8 Ω"].series[0].x == (2.0, 3.0)
    assert panels["output impedance"].y.unit == "ohm"


def test_limits_stand_where_they_hold_on_either_axis(tmp_path: Path) -> None:
    panels = {p.title: p for p in figure_of(LEVELS, tmp_path).panels}
    assert set(panels["thd at 1 kHz against power, into 8 Ω"].limits) == {
        Bounds("limit", 10.0, 10.0, high=0.001), Bounds("limit", 10.0, 10.0, high=0.005),
        Bounds("limit", 50.0, 50.0, high=0.01),
    }
    assert set(panels["thd, 10 W into 8 Ω"].limits) == {
        Bounds("limit", 1e3, 1e3, high=0.001), Bounds("limit", 40.0, 16e3, high=0.005)}


def test_a_bound_is_shown_as_one_and_crosstalk_is_of_the_channel_that_listens(
    tmp_path: Path
) -> None:
    panel = next(p for p in figure_of(LEVELS, tmp_path).panels if p.title == "crosstalk")
    assert [s.label for s in panel.series] == ["into right, measured", "into left, measured"]
    assert panel.series[0].bounds == ("<", "")
    root = ET.fromstring(chart(panel))
    arrows = [g for g in root.iter() if g.get("class") == "arrow"]
    assert len(arrows) == 1
    # an arrow down: SVG counts downward
    start, stop = (float(v) for v in str(arrows[0].get("d")).split("M")[1].split("m")[0]
                   .split(",")[1].split("V"))
    assert stop > start
    said = next(str(g.get("data-words")) for g in root.iter() if g.get("data-x") == "1000"
                and g.get("class") == "at")
    assert "into right, measured < -90" in said
    assert "into left, measured -60" in said


def test_the_table_says_what_was_given(tmp_path: Path) -> None:
    panel = figure_of(LEVELS, tmp_path).panels[0]
    root = ET.fromstring(table(panel))
    heads = [th.text for th in root.iter("th") if th.get("scope") == "col"]
    assert heads == ["power", "right, measured", "left, measured", "limits"]
    rows = [[cell.text or "" for cell in row] for row in root.findall(".//tbody/tr")]
    assert [row[:3] for row in rows] == [
        ["100 mW", "0.9 %", ""], ["1 W", "0.45 %", "0.05 %"], ["10 W", "0.24 %", "0.04 %"]]
    assert rows[2][3] == "at most 0.1 %; at most 0.5 %"


def test_of_a_dense_sweep_every_row_is_on_the_plot(tmp_path: Path) -> None:
    rows = [(20.0 * 10.0 ** (k / 40.0), -k / 1e3) for k in range(121)]
    text = "Frequency (Hz),Gain (dB)\n" + "\n".join(f"{f:.6g},{y:g}" for f, y in rows)
    (tmp_path / "sweep.csv").write_text(text + "\n", encoding="utf-8")
    panel = figure_of(f"stage: {DATA / 'coupling.yaml'}\n"
                      "readings: [{quantity: gain, file: sweep.csv}]\n", tmp_path).panels[0]
    (line,) = panel.series
    assert line.joined
    assert line.y == tuple(y for _, y in rows)
    marks = [g for g in ET.fromstring(chart(panel)).iter() if "mark" in (g.get("class") or "")]
    # its mark along it tells it apart in grey, and does not hide it
    assert 5 <= len(marks) <= 12


@pytest.mark.slow
def test_the_band_holds_nine_in_ten(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(f"stage: {DATA / 'coupling.yaml'}\n"
                    "readings: [{quantity: gain, points: {10 Hz: -1 dB, 20 Hz: -2 dB}}]\n",
                    encoding="utf-8")
    case = load_case(path)
    assert [c.readings[0] for c in curves_of(case)] == [Reading("gain", frequency=10.0)]
    with Laboratory(Store(None), workers=0) as bench:
        panel = answer_figure(case, None, bench).panels[0]
        found = signatures(case.stage, [Reading("gain", frequency=10.0)], [], bench)
    (band,) = panel.bands
    sigma = math.sqrt(float((np.asarray(found.sensitivities) ** 2).sum()))
    # 5 % of a normal distribution lie beyond 1.645 standard deviations to either side
    assert (band.high[0] - band.low[0]) / 2.0 == pytest.approx(1.645 * sigma, rel=1e-3)


def test_channels_whose_levels_differ_by_what_an_eye_leaves_are_on_one_plot(
    tmp_path: Path
) -> None:
    sides = "".join(
        f"  {name}:\n    readings:\n" + "".join(
            f"      - {{quantity: harmonic, order: {k}, frequency: 1 kHz, output level: {volts}, "
            f"value: -{60 + k} dB}}\n" for k in (2, 3))
        for name, volts in (("left", "311 mV"), ("right", "317 mV")))
    panels = figure_of(HEAD + sides, tmp_path).panels
    assert [p.title for p in panels] == ["harmonics at 1 kHz, 317 mV"]
    assert [s.y for s in panels[0].series] == [(-62.0, -63.0)] * 2

"""The picture of an answer: both channels, limits, what was read after a repair, healthy units."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from diagnose.sheet.case import load_case
from diagnose.show.answer_figure import answer_figure
from diagnose.show.figure import Bounds
from faultlib.simulate import Laboratory
from faultlib.store import Store

DATA = Path(__file__).resolve().parents[2] / "data"
SHEET = """
stage: {stage}
suspect: right
channels:
  left: {{readings: [{{quantity: gain, points: {{30 Hz: -0.1 dB, 1 kHz: 0 dB}}}}]}}
  right: {{readings: [{{quantity: gain, points: {{10 Hz: -5.5 dB, 20 Hz: -2.1 dB, 1 kHz: 0 dB}}}}]}}
limits:
  - {{quantity: gain, frequency: 20 Hz, min: -1 dB}}
  - {{quantity: gain, band: 30 Hz to 15 kHz, within: 1 dB}}
  - {{quantity: hum, frequency: 50 Hz, max: 1 mV}}
repaired:
  - part: C1
    readings: [{{quantity: gain, points: {{10 Hz: -0.1 dB, 50 Hz: 0 dB}}}}]
"""


def test_everything_about_a_curve_is_in_one_picture(tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET.format(stage=DATA / "coupling.yaml"), encoding="utf-8")
    with Laboratory(Store(None), workers=0) as bench:
        (panel,) = answer_figure(load_case(path), None, bench).panels
    assert [(s.label, s.x) for s in panel.series] == [
        ("right, measured", (10.0, 20.0, 1000.0)),
        ("left, measured", (30.0, 1000.0)),
        ("after C1 replaced", (10.0, 50.0)),
    ]
    assert panel.limits == (Bounds("limit", 20.0, 20.0, low=-1.0),
                            Bounds("limit", 30.0, 15e3, low=-1.0, high=1.0))
    (band,) = panel.bands
    # all that was read has a place under the cursor, whoever read it
    assert {10.0, 20.0, 30.0, 50.0, 1000.0} <= set(band.x)
    corner = 1.0 / (2.0 * math.pi * 10e-6 * 10e3)  # a first-order high-pass (any text on networks)
    for f, low, high in zip(band.x, band.low, band.high, strict=True):
        assert low < -10.0 * math.log10(1.0 + (corner / f) ** 2) - 0.017 < high
        assert high - low == pytest.approx(0.0, abs=0.5)

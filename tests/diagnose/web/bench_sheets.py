"""Sheets that readings are taken onto, and a card in place of the machine's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from flask import Flask

from diagnose.soundcard import portaudio
from diagnose.soundcard.calibration import Calibration
from diagnose.soundcard.card import Card
from diagnose.web.desk import KEY
from diagnose.web.opened import from_file
from diagnose.web.shelf import Kept

DATA = Path(__file__).resolve().parents[2] / "data"
OWN = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
SHEET = """\
# of the hall
case: Invented unit, dull bass
stage: coupling.yaml
readings:
  - {quantity: gain, frequency: 1 kHz, value: }
  - {quantity: gain, frequency: 20 Hz, value: }
  - {quantity: dc voltage, at: out, value: }
limits: [{quantity: gain, frequency: 20 Hz, min: -1 dB}]
"""
PHONO = """\
case: Invented phono stage
stage: phono-two-transistor
readings:
  - {quantity: dc voltage, at: c1, value: }
  - {quantity: dc voltage, at: e2, value: }
"""
HERE = "http://127.0.0.1:8426"


def dry(f: np.ndarray) -> np.ndarray:
    """The coupling of the sheet's stage, 1 µF in place of 10, into its 10 kohm and the card's."""
    rc = 1e-6 * 5e3
    made: np.ndarray = 2j * np.pi * f * rc / (1.0 + 2j * np.pi * f * rc)
    return made


def kept(app: Flask, text: str) -> Kept:
    """A sheet on the shelf of an application."""
    files = {"coupling.yaml": (DATA / "coupling.yaml").read_bytes()}
    made: Kept = app.extensions[KEY].shelf.add(from_file(text, "sheet"), files)
    return made


@contextmanager
def plugged_in(monkeypatch: pytest.MonkeyPatch, card: Card) -> Iterator[None]:
    with monkeypatch.context() as patched:
        patched.setattr(portaudio, "card", lambda player, recorder, rate: card)
        yield

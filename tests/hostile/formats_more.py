"""Formats that came later: parts of their own, so that numbers of the others stay what they are."""

from __future__ import annotations

import json
import math
import os
import tempfile
import uuid
from functools import cache
from pathlib import Path

import numpy as np

from circuits.reading import Reading
from diagnose.log.entry import Entry
from diagnose.log.exchange import export, read_log
from diagnose.soundcard import calibration
from diagnose.soundcard.calibration import Calibration
from diagnose.traces.measuring import measure_trace
from tests.hostile.accidents_table import befallen_table
from tests.hostile.formats import ROOT, Format, files
from tests.hostile.judge import MESSAGE, Defect


def _logs() -> dict[str, bytes]:
    """A log that another shop hands on, in both forms."""
    entries = [
        Entry(str(uuid.UUID(int=k)), f"2026-03-{k + 1:02d}T10:00:00Z", "coupling", "w",
              "nothing wrong", "measured", case=f"job {k}", minutes=10.0 * k)
        for k in range(6)
    ]
    made = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in ("log.jsonl", "log.csv"):
            export(Path(folder) / name, entries)
            made[name] = (Path(folder) / name).read_bytes()
    return made


@cache
def further() -> dict[str, Format]:
    """Formats that came later: a part of their own, so that numbers stay what they are."""
    rows = [
        f"{k * 1e-5:.6f},{0.5 * np.sin(0.0628 * k):.5f},{2.0 * np.sin(0.0628 * k - 0.1):.5f}"
        for k in range(700)
    ]
    sine = "\n".join(["Time (s),CH1 (V),CH2 (V)", *rows, ""]).encode()
    sweep = "\n".join(
        [
            "Frequency (Hz),Gain (dB),Phase (deg)",
            *(f"{20 * 1.26**k:.1f},{-0.1 * k:.2f},{-2 * k}" for k in range(30)),
            "",
        ]
    ).encode()
    return {
        "log": Format(_logs(), lambda path: list(read_log(path)) or MESSAGE),
        "trace": Format(
            {"sine.csv": sine, "sweep.csv": sweep} | files(ROOT / "examples" / "square-wave.csv"),
            measure_trace,
            befall=befallen_table,
        )
    }


CARD = Calibration(
    "card", "2026-03-01", 48e3, 1.9, 2.1, 120.0, 10e3,
    tuple((20.0 * 10.0 ** (k / 4.0), -0.01 * k) for k in range(13)),  # 20 Hz to 20 kHz
    ((2, 1e-4), (3, 3e-5)), {"": 12e-6, "A": 8e-6}, ((50.0, 2e-6), (100.0, 1e-6)),
    ((1e3, -90.0),), Calibration("card", "2026-03-01", 48e3, 1.9, 2.0, 120.0, 10e3),
)
"""A card with all that a file of one may hold."""
_ASKED = (
    Reading("harmonic", frequency=1e3, order=2), Reading("thd", frequency=1e3),
    Reading("thd+n", frequency=1e3), Reading("noise", band=(20.0, 20e3)),
    Reading("hum", frequency=50.0),
)
"""What the card alone would show of these is asked of a calibration that was accepted."""


def _card(path: Path) -> object:
    """A calibration as a run with the card reads it, and what every run asks of it."""
    os.environ[calibration.VARIABLE] = str(path.parent)
    made = calibration.kept("card")
    if made is None:  # of another card, whose name was harmed
        return MESSAGE
    for side in (made, *((made.right,) if made.right else ())):
        side.text()
        side.remarks()
        told = [side.own_response(f) for f in (20.0, 1e3, 20e3)]
        told += [side.own(reading, 0.5) for reading in _ASKED]
        if any(math.isnan(x) or x == math.inf for x in told):
            raise Defect(f"a calibration that tells {told}")
    return made


@cache
def cards() -> dict[str, Format]:
    """What is kept of a sound card."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ[calibration.VARIABLE] = folder
        plain = calibration.keep(CARD).read_bytes()
    close = json.dumps(json.loads(plain)).encode()  # all on one line
    return {"calibration": Format({"plain": plain, "close": close}, _card, "card.json")}

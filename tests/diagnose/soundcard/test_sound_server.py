"""The way through PortAudio and a sound server, with a unit between two null sinks.

What the simulator says of a stage with a fault is the truth; `sound_server` makes a unit of it, in
a process of its own. Skipped where there is no sound server.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from circuits.curves import riaa_db
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.sheet.case import load_case
from diagnose.soundcard.calibration import Calibration, keep
from diagnose.soundcard.divider import behind_output
from tests.diagnose.soundcard import sound_server, units

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(sound_server.missing()), reason=sound_server.missing() or "-"),
]
PLACES = (20.0, 100.0, 500.0, 20e3)
"""Hz of the deviations from the RIAA curve."""
LOOP = """
import json
import numpy as np
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.soundcard.heard import take
from diagnose.soundcard.played import tones
from diagnose.soundcard.portaudio import card

round_trip = take(card("loop"), tones([(1e3, 0.7)], 0.7, 48e3))
found = measured(round_trip.recording(), Options("sine"))
print(json.dumps({"level": float(round_trip.amplitudes()[0]), "ratio": round_trip.ratio,
                  "thd+n": found.item("thd+n").value, "again": round_trip.again}))
"""


def test_a_loop_of_the_server_is_below_minus_120_decibels_and_a_unit_is_read(
    tmp_path: Path, shared_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
    own = Calibration("bench", "2020-02-03", 48e3, 2.0, 2.0, 100.0, units.INPUT_OHMS)
    keep(own)
    behind = behind_output(5e-3, own.plays, own.output_ohms,
                           load_stage(units.STAGE).source_impedance)
    assert behind is not None
    decibels = units.response(shared_store)
    impulse = sound_server.minimum_phase(units.GRID, decibels) / behind.ratio
    sheet = tmp_path / "sheet.yaml"
    rows = "".join(f"  - {{quantity: riaa deviation, frequency: {f:g} Hz, value: }}\n"
                   for f in PLACES)
    sheet.write_text(f"stage: {units.STAGE}\nreadings:\n"
                     f"  - {{quantity: gain, frequency: 1 kHz, value: }}\n{rows}")
    with sound_server.served(tmp_path) as environment:
        loop = subprocess.run([*sound_server.FIRST, sys.executable, "-c", LOOP], env=environment,
                              capture_output=True, text=True, check=True, timeout=200)
        # hum of 100 µV, noise of 10 µV at the output, 0.01 % at full scale
        with sound_server.unit_between(
            environment, tmp_path, impulse, second=1e-4, hum={"100": 7e-5}, noise=7e-6
        ):
            run = subprocess.run(
                [*sound_server.FIRST, sys.executable, "-m", "diagnose", "take", str(sheet),
                 "--device", "bench", "--yes"],
                env=environment, capture_output=True, text=True, check=True, timeout=200)
    told = json.loads(loop.stdout)
    assert 20.0 * np.log10(told["thd+n"]) < -120.0
    assert told["level"] == pytest.approx(0.7, rel=1e-6)
    assert told["ratio"] == pytest.approx(1.0, abs=1e-9)
    if "takes were thrown away" in run.stderr:
        why = run.stderr.strip().splitlines()[-1].strip()
        pytest.skip(f"this machine is too busy for a sound server: {why}")
    assert "5 readings in" in run.stdout, run.stderr
    found = {m.reading.label(): m.value for m in load_case(sheet).readings}
    middle = units.at(decibels, 1e3)
    assert found[Reading("gain", frequency=1e3, load=1e4).label()] == pytest.approx(middle, abs=0.1)
    for frequency in PLACES:
        label = Reading("riaa deviation", frequency=frequency, load=1e4).label()
        wanted = units.at(decibels, frequency) - middle - float(
            riaa_db(frequency) - riaa_db(1e3))
        assert found[label] == pytest.approx(wanted, abs=0.1)

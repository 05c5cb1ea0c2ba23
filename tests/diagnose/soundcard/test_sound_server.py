"""The way through PortAudio and a sound server, with a unit between two null sinks.

What the simulator says of a stage with a fault is the truth; `sound_server` makes a unit of it, in
a process of its own. What is read of it fills a blank sheet, and the ranking names the part that
was changed. Skipped where there is no sound server.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import diagnose
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
TAKEN = ("gain", "riaa deviation")
"""What of a blank sheet is taken: what tells a part of the RIAA network."""
LOOP = """
import json
import numpy as np
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.soundcard.heard import take_sides
from diagnose.soundcard.played import tones
from diagnose.soundcard.portaudio import card

sides = take_sides(card("loop"), {0: tones([(1e3, 0.7)], 0.7, 48e3),
                                  1: tones([(3e3, 0.25)], 0.7, 48e3)})
round_trip = sides[0]
found = measured(round_trip.recording(), Options("sine"))
print(json.dumps({"sides": [float(sides[k].amplitudes()[0]) for k in (0, 1)],
                  "beside": [float(abs(sides[k].beside()[0])) for k in (0, 1)],
                  "ratio": round_trip.ratio,
                  "thd+n": found.item("thd+n").value, "again": round_trip.again}))
"""


def blank() -> str:
    """The blank sheet of the stage, with the rows that are taken alone."""
    made = diagnose.blank(units.STAGE).splitlines()
    rows = [line for line in made if line.startswith("  - {quantity: ") and "value: }" in line]
    left = {row for row in rows if not any(f"quantity: {word}," in row for word in TAKEN)}
    return "\n".join(line for line in made if line not in left) + "\n"


def test_a_loop_of_the_server_is_below_minus_120_decibels_and_a_unit_is_read_and_ranked(
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
    sheet.write_text(blank(), encoding="utf-8")
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
    # left to left, right to right, and nothing across
    assert told["sides"] == pytest.approx([0.7, 0.25], rel=1e-6)
    assert max(told["beside"]) < 1e-6
    assert told["ratio"] == pytest.approx(1.0, abs=1e-9)
    if "takes were thrown away" in run.stderr:
        why = run.stderr.strip().splitlines()[-1].strip()
        pytest.skip(f"this machine is too busy for a sound server: {why}")
    assert "11 readings in" in run.stdout, run.stderr
    found = {m.reading: m.value for m in load_case(sheet).readings}
    middle = units.at(decibels, 1e3)
    assert found.pop(Reading("gain", frequency=1e3, load=1e4)) == pytest.approx(middle, abs=0.1)
    assert len(found) == 10
    for reading, value in found.items():
        wanted = units.at(decibels, reading.frequency) - middle - float(
            riaa_db(reading.frequency) - riaa_db(1e3))
        assert value == pytest.approx(wanted, abs=0.1), reading.label()
    # the part that was changed, alone in the first group, and its value within 5 %
    with diagnose.Laboratory(diagnose.Store(shared_store)) as bench:
        answer = diagnose.rank(sheet, bench, with_log=False)
    first = answer.suspects[0]
    assert (first.part, first.mode) == (units.PART, "drift down")
    assert answer.groups[0].members == (first.name,)
    assert first.probability > 0.5
    assert first.severity is not None
    assert first.severity.value == pytest.approx(units.FARADS, rel=0.05)

"""The invented session of two channels: what was planted is found, and the good channel helps.

Nothing here is held against the ranking's own output: the fault, the hum lines and the voltages
are those that ``examples/session/make.py`` put in, and the sheet must say what the recordings hold.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from circuits.signals.spectrum import BANDWIDTH
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.recording.measurement import Measurement
from diagnose.recording.measuring import Options, measure
from diagnose.sheet.case import Case, load_case
from faultlib.simulate import Laboratory
from faultlib.store import Store

pytestmark = pytest.mark.slow

FOLDER = Path(__file__).resolve().parents[1] / "examples" / "session"
CHANNELS = ("left", "right")


@pytest.fixture(scope="module")
def make() -> Iterator[ModuleType]:
    """The script as a module; its dataclass looks itself up under its name."""
    spec = spec_from_file_location("session_make", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("session")


@pytest.fixture(scope="module")
def put_in(make: ModuleType, folder: Path) -> dict[str, Any]:
    made: dict[str, Any] = make.make(folder)
    return made


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(FOLDER / "hall-session.yaml")


@pytest.fixture(scope="module")
def answers(case: Case, shared_store: Path) -> tuple[Result, Result]:
    """With the good channel beside, and without."""
    alone = replace(case, channels=(), suspect="", shared=(), dense=())
    with Laboratory(Store(shared_store)) as bench:
        return rank(case, bench), rank(alone, bench)


def recorded(make: ModuleType, folder: Path, name: str) -> Measurement:
    return measure(folder / name, Options(full_scale=make.FULL_SCALE))


def on_sheet(case: Case, channel: str) -> dict[str, float]:
    return {m.reading.label(): m.value for m in dict(case.channels)[channel]}


def noise_at(make: ModuleType, channel: Any, order: int) -> float:
    """V RMS of noise within the width of the window at a line, which moves its reading."""
    edges = make.BANDS
    band = int(edges.searchsorted(order * make.MAINS)) - 1
    density = float(channel.noise[band]) ** 2 / float(edges[band + 1] - edges[band])
    return math.sqrt(density * BANDWIDTH / make.SECONDS)


def planted(make: ModuleType, result: Result) -> float:
    """Probability that the planted part alone is dry: it loses capacitance or gains resistance.

    At the one frequency that ripple has both do the same (common practice: a dry electrolytic has
    both), and the same new part mends either.
    """
    return sum(
        s.probability for s in result.suspects
        if s.part == make.PLANTED.part and s.mode in (make.PLANTED.mode, "high esr")
        and s.also is None
    )


@pytest.mark.parametrize("channel", CHANNELS)
def test_recorded_hum_is_what_was_put_in_and_what_the_sheet_says(
    make: ModuleType, folder: Path, put_in: dict[str, Any], case: Case, channel: str
) -> None:
    made = recorded(make, folder, "hall-silence.wav")
    assert made.signal == "silence"
    truth, sheet = put_in[channel], on_sheet(case, channel)
    for order, volts in truth.hum.items():
        item = made.item(f"hum at {50 * order} Hz", channel)
        if item.bound:  # lost in the noise: then the truth is below what the recording shows
            assert volts < item.value + 3.0 * noise_at(make, truth, order)
            assert sheet[f"hum at {50 * order} Hz"] == pytest.approx(item.value, rel=0.01)
            continue
        assert item.value == pytest.approx(volts, rel=0.01, abs=3.0 * noise_at(make, truth, order))
        assert sheet[f"hum at {50 * order} Hz"] == pytest.approx(item.value, rel=0.01)
    noise = made.item("noise without hum lines", channel)
    assert sheet["noise"] == pytest.approx(noise.value, rel=0.01)


@pytest.mark.parametrize("channel", CHANNELS)
def test_recorded_tone_gives_the_gain_on_the_sheet(
    make: ModuleType, folder: Path, put_in: dict[str, Any], case: Case, channel: str
) -> None:
    made = recorded(make, folder, "hall-tone.wav")
    assert made.signal == "sine"
    volts = next(i.value for i in made.items
                 if (i.name, i.unit, i.channel) == ("level", "V", channel))
    gain = 20.0 * math.log10(volts / make.GENERATOR)
    assert gain == pytest.approx(put_in[channel].gain[1e3], abs=0.01)
    assert on_sheet(case, channel)["gain at 1 kHz"] == pytest.approx(gain, abs=0.06)


@pytest.mark.parametrize("channel", CHANNELS)
def test_volts_and_sweeps_are_those_that_the_script_makes(
    put_in: dict[str, Any], case: Case, folder: Path, channel: str
) -> None:
    sheet = on_sheet(case, channel)
    for at, volts in put_in[channel].volts.items():
        # three digits, and what another build of the simulator may differ by
        assert sheet[f"dc voltage at {at}"] == pytest.approx(volts, rel=0.006)
    name = f"{channel}-response.csv"
    kept, new = ((where / name).read_text(encoding="utf-8").splitlines()
                 for where in (FOLDER, folder))
    assert kept[0] == new[0]
    for a, b in zip(kept[1:], new[1:], strict=True):
        (f, x), (g, y) = (map(float, row.split(",")) for row in (a, b))
        assert f == g
        assert x == pytest.approx(y, abs=0.02)


def test_the_first_group_holds_the_planted_fault(
    make: ModuleType, answers: tuple[Result, Result]
) -> None:
    with_reference, _ = answers
    first = max(with_reference.groups, key=lambda g: g.probability)
    assert make.PLANTED.label() in first.members
    assert planted(make, with_reference) > 0.9
    assert first.members[0].split()[0] == make.PLANTED.part


def test_the_good_channel_tells_the_shared_supply_from_the_planted_fault(
    make: ModuleType, answers: tuple[Result, Result]
) -> None:
    """A supply that feeds both would make both hum; one channel alone cannot know."""
    with_reference, alone = answers
    assert planted(make, with_reference) > planted(make, alone) + 0.05

    def supply(result: Result) -> float:
        return sum(s.probability for s in result.suspects if s.part in make.SHARED)

    assert supply(alone) > 0.05
    assert supply(with_reference) < 0.01


def test_the_planted_size_is_in_its_range(
    make: ModuleType, case: Case, answers: tuple[Result, Result]
) -> None:
    """What is left of the capacitance, within what a foreign unit's own value adds (±25 %)."""
    suspect = next(s for s in answers[0].suspects if s.mode == make.PLANTED.mode)
    assert suspect.part == make.PLANTED.part
    value = case.stage.part(make.PLANTED.part).value
    assert value is not None
    left = make.PLANTED.size * value
    assert suspect.severity is not None
    assert suspect.severity.low / 1.25 < left < suspect.severity.high * 1.25

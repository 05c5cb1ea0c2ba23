"""What the page has the simulator do, each as a function that runs in a process of its own.

The functions are those of the command line. What goes in and comes out is plain or frozen data.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.load import load_stage
from circuits.quantity import parse
from circuits.reading import Reading, compared, from_compared, instrument, shown
from circuits.stage import GROUND, Stage
from diagnose.answer.result import Result, Suspect
from diagnose.log.beside import rank_with_log
from diagnose.log.closing import before_found
from diagnose.log.entry import Found
from diagnose.log.folder import left_out, log_in
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.case import load_case
from diagnose.sheet.expected import Expected
from diagnose.sheet.proposal import follows_riaa, propose
from diagnose.sheet.putting import load_sheet
from diagnose.show.answer_figure import answer_figure, measured_figure
from diagnose.show.embedded import drawing
from diagnose.show.figure import Figure
from diagnose.soundcard.asked import Conditions, Prepared, prepared
from diagnose.soundcard.calibration import Calibration
from diagnose.studies.good_readings import good_readings
from diagnose.studies.healthy_unit import HealthyUnit, healthy_unit
from diagnose.web.netlists import netlist_in, netlist_out
from faultlib.fault import Fault
from faultlib.good_unit import NINE_OF_TEN
from faultlib.good_unit import Figure as GoodFigure
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench, Laboratory, Variant

Array = NDArray[np.float64]
_THIRDS = (10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0)
"""The lowest decade of the preferred frequencies of ISO 266, Hz."""
RESPONSE_HZ = (*(f * 10.0**k for k in range(4) for f in _THIRDS), 100e3)
"""Preferred frequencies of ISO 266, a third of an octave apart."""
_MIDDLE_HZ = 1000.0
"""Where a single frequency is asked for, and what the response is relative to."""


def ranked(bench: Bench, step: Stepwise, path: str) -> Result:
    """The answer to a case file on the shelf, with the log of closed jobs that lies there."""
    return rank_with_log(load_case(path), bench, step, _log(path))


def first_answer(
    bench: Bench, step: Stepwise, path: str, faults: tuple[Found, ...]
) -> Result:
    """The answer to a case file as it stood before anybody looked at these parts."""
    return rank_with_log(before_found(load_case(path), faults), bench, step, _log(path))


def _log(path: str) -> Path | None:
    shelf = Path(path).parents[1]
    return None if left_out(shelf) else log_in(shelf)


def pictured(bench: Bench, step: Stepwise, path: str, suspect: Suspect | None) -> Figure:
    """The pictures of an answer."""
    return answer_figure(load_case(path), suspect, bench, step)


def plotted(bench: Bench, step: Stepwise, path: str, beside: str) -> Figure:
    """What was measured and heard, and where good units lie beside it.

    Parameters
    ----------
    beside : {"measured", "good", "driven"}
        None; those at rest; all of them, which takes minutes under drive and of several stages.
    """
    case = load_case(path)
    if beside == "measured":
        return measured_figure(case)
    return answer_figure(case, None, bench, step, driven=beside == "driven")


def blank(bench: Bench, step: Stepwise, stage: str, folder: str) -> str:
    """The blank sheet of a stage."""
    drawn = load_stage(stage, Path(folder))
    return blank_sheet(drawn, propose(drawn, bench), stage)


def on_paper(
    bench: Bench, step: Stepwise, stage: Stage, readings: tuple[Reading, ...] | None
) -> tuple[list[tuple[Reading, str]], list[GoodFigure | None]]:
    """The readings of a sheet, or those that are proposed, with what good units read."""
    lines = list(propose(stage, bench)) if readings is None else [(r, "") for r in readings]
    return lines, good_readings(stage, [r for r, _ in lines], bench, step)


def card_steps(
    bench: Bench, step: Stepwise, path: str, own: Calibration,
    proposed: Sequence[Conditions] | None,
) -> Prepared:
    """What a sheet on the shelf asks a card for, or what was proposed, as steps."""
    text, case = load_sheet(Path(path))
    return prepared(text, case, own, bench, proposed)


def healthy(bench: Laboratory, step: Stepwise, stage: str, path: str) -> HealthyUnit:
    """The healthy unit of a stage that ships, or where there is a path of a sheet's stage."""
    return healthy_unit(load_case(path).stage if path else load_stage(stage), bench, step)


def healthy_own(bench: Laboratory, step: Stepwise, path: str) -> HealthyUnit:
    """The healthy unit of a stage file."""
    return healthy_unit(load_stage(path), bench, step)


@dataclass(frozen=True)
class Beside:
    """A figure of the service manual beside what a healthy unit reads, compared scale.

    Attributes
    ----------
    healthy, low, high : float
        Of the nominal unit, and between which 90 % of good ones lie; NaN where none was found.
    """

    expected: Expected
    healthy: float
    low: float
    high: float

    def reads(self, x: float) -> float:
        """A figure of the compared scale as it is shown."""
        reading = self.expected.reading
        return shown(reading, from_compared(reading, x))

    @property
    def fits(self) -> bool:
        """Whether what the manual allows and where good units lie have something in common."""
        figure = compared(self.expected.reading, self.expected.figure.value)
        return (self.low <= figure + self.expected.tolerance
                and figure - self.expected.tolerance <= self.high)


def beside_manual(bench: Bench, step: Stepwise, path: str) -> tuple[Beside, ...]:
    """What a healthy unit reads where the manual of a sheet says what it should."""
    case = load_case(path)
    figures = [one for one in case.expected if one.weighed]
    if not figures:
        return ()
    table = signatures(case.stage, [one.reading for one in figures], [], bench, step)
    open_ = NINE_OF_TEN * np.sqrt((table.sensitivities**2).sum(axis=0))
    return tuple(
        Beside(one, float(h), float(h - s), float(h + s))
        for one, h, s in zip(figures, table.healthy, open_, strict=True)
    )


def drawn(bench: Bench, step: Stepwise, path: str) -> str:
    """The drawing of a stage file, which may have to be made."""
    return drawing(load_stage(path))


def drawn_sheet(bench: Bench, step: Stepwise, path: str) -> str:
    """The drawing of a sheet's stage, which may have to be made."""
    return drawing(load_case(path).stage)


def recorded(
    bench: Bench, step: Stepwise, path: str, signal: str, full_scale: str, driven: str, mains: float
) -> tuple[str, tuple[str, ...]]:
    """The readings of a recording as lines of a sheet, and what is to be said of it."""
    from diagnose.recording.measurement import sheet_lines
    from diagnose.recording.measuring import measure
    from diagnose.recording.options import checked_options

    scale = parse(full_scale, "V") if full_scale.strip() else None
    measurement = measure(path, checked_options(
        signal, scale, driven=driven, mains=mains))
    hum = (f"{channel}: {text}" if channel else text for channel, text in measurement.hum)
    return sheet_lines(measurement), (*map(_on_page, measurement.notes), *hum)


def _on_page(note: str) -> str:
    """A note in the words of the page, where it names an option of the command."""
    for option, words in (
        ("add --driven both", 'read it again with "both" as driven'),
        ("give --full-scale, the RMS", "read it again and say the RMS"),
        ("add --signal silence", 'read it again as "silence"'),
    ):
        note = note.replace(option, words)
    return re.sub(r"add --mains (\d+)", r"say mains \1 Hz on the sheet and read it again", note)


@dataclass(frozen=True)
class Ground:
    """What a study moves away from: healthy units of a sheet's stage.

    Attributes
    ----------
    readings : tuple of m Reading
        Direct voltages and single figures, then the response.
    curve : int
        Where the response begins.
    healthy, sigma, bench : (m,) array
        Compared scale: nominal values, the spread of good units, the uncertainty of a meter.
    """

    readings: tuple[Reading, ...]
    curve: int
    healthy: Array
    sigma: Array
    bench: Array


def ground(bench: Bench, step: Stepwise, path: str, mark: str) -> Ground:
    """Healthy units of a sheet's stage; `mark` changes when the file does."""
    stage = _stage(path, mark)
    readings = list(study_readings(stage, bench))
    curve = len(readings) - len(RESPONSE_HZ)
    table = signatures(stage, readings, [], bench, step)
    sigma = np.sqrt((table.sensitivities**2).sum(axis=0))
    meter = [float(instrument(r, h)) for r, h in zip(readings, table.healthy, strict=True)]
    return Ground(tuple(readings), curve, table.healthy, sigma, np.array(meter))


def moved(
    bench: Bench, step: Stepwise, path: str, mark: str, fault: Fault, readings: tuple[Reading, ...]
) -> Array:
    """Readings of a unit with one fault, compared scale; NaN where it has no solution."""
    stage = _stage(path, mark)
    row: Array = bench.values(stage, [Variant((fault,))], readings).values[0]
    return row


def study_readings(stage: Stage, bench: Bench) -> tuple[Reading, ...]:
    """Bias, supply currents, gain, impedances and hum, then the response: what simulates fast."""
    readings = [Reading("dc voltage", at=node) for node, _ in stage.test_points if node != GROUND]
    readings += [Reading("supply current", rail=rail.name) for rail in stage.rails]
    readings += [Reading(name, frequency=_MIDDLE_HZ)
             for name in ("gain", "input impedance", "output impedance")]
    readings += [Reading("hum", frequency=k * stage.mains) for k in (1, 2)]
    if follows_riaa(stage, bench):
        readings += [Reading("riaa deviation", frequency=f) for f in RESPONSE_HZ]
    else:
        readings += [Reading("response", frequency=f, reference=_MIDDLE_HZ) for f in RESPONSE_HZ]
    return tuple(readings)


@lru_cache(maxsize=4)
def _stage(path: str, mark: str) -> Stage:
    return load_case(path).stage


TASKS: Mapping[str, Callable[..., Any]] = {
    task.__name__: task
    for task in (ranked, first_answer, pictured, plotted, blank, on_paper, card_steps, healthy,
                 healthy_own, beside_manual, netlist_in, netlist_out, drawn, drawn_sheet, recorded,
                 ground, moved)
}

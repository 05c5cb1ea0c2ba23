"""From readings to suspects, and what to do next.

The front door: what a script or a notebook needs, each name imported when it is first asked for.
::

    import diagnose

    answer = diagnose.rank("sheet.yaml")        # a path, the text of a sheet, plain data, a Case
    print(diagnose.as_text(answer))
    answer.to_frame()                           # the suspects as a table; in a notebook, `answer`
    diagnose.report(answer, "report.html")      # shows the body of this report

What commands do: `stages`, `load_stage`, `from_netlist`, `to_netlist`, `load_case`, `case`,
`blank`, `proposal`; `rank`, `next_readings`, `healthy`, `study`, `coverage`, `score`, `measure`;
`report`, `figure`, `draw`, `as_text`, `to_json`, `json_schema`, `to_frame`, `serve`; of signals and
cards `signal`, `samples`, `write_signal`, `recorded`, `sound_card`, `calibrate`, `take`. What they
take and give is frozen data. A bench that several calls share is a `Laboratory`:

>>> from diagnose import Laboratory, Reading, Store, study
>>> with Laboratory(Store(None), workers=0) as bench:
...     made = study("filter-high", "C1:open", [Reading("gain", frequency=1000.0)], bench)
>>> made.leaves()
array([ True])
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from circuits.errors import AmplifierError as AmplifierError
    from circuits.errors import EngineError as EngineError
    from circuits.errors import InputError as InputError
    from circuits.errors import NoSolution as NoSolution
    from circuits.reading import Reading as Reading
    from circuits.signals.recording import Recording as Recording
    from circuits.stage import Stage as Stage
    from diagnose.advice.next_reading import NextReading as NextReading
    from diagnose.answer.result import Group as Group
    from diagnose.answer.result import Result as Result
    from diagnose.answer.result import Suspect as Suspect
    from diagnose.door.answers import coverage as coverage
    from diagnose.door.answers import healthy as healthy
    from diagnose.door.answers import measure as measure
    from diagnose.door.answers import next_readings as next_readings
    from diagnose.door.answers import rank as rank
    from diagnose.door.answers import score as score
    from diagnose.door.answers import study as study
    from diagnose.door.netlists import from_netlist as from_netlist
    from diagnose.door.netlists import to_netlist as to_netlist
    from diagnose.door.sheets import blank as blank
    from diagnose.door.sheets import case as case
    from diagnose.door.sheets import load_case as load_case
    from diagnose.door.sheets import load_stage as load_stage
    from diagnose.door.sheets import proposal as proposal
    from diagnose.door.sheets import stages as stages
    from diagnose.door.signals import recorded as recorded
    from diagnose.door.signals import samples as samples
    from diagnose.door.signals import signal as signal
    from diagnose.door.signals import write_signal as write_signal
    from diagnose.door.takes import calibrate as calibrate
    from diagnose.door.takes import sound_card as sound_card
    from diagnose.door.takes import take as take
    from diagnose.door.views import as_text as as_text
    from diagnose.door.views import draw as draw
    from diagnose.door.views import figure as figure
    from diagnose.door.views import report as report
    from diagnose.door.views import serve as serve
    from diagnose.door.views import to_frame as to_frame
    from diagnose.door.views import to_json as to_json
    from diagnose.recording.measurement import Measurement as Measurement
    from diagnose.schema.documents import json_schema as json_schema
    from diagnose.sheet.case import Case as Case
    from diagnose.sheet.entry import Measured as Measured
    from diagnose.show.figure import Figure as Figure
    from diagnose.soundcard.calibration import Calibration as Calibration
    from diagnose.soundcard.card import Card as Card
    from diagnose.soundcard.taken import Taken as Taken
    from diagnose.stimulus.signal import Signal as Signal
    from diagnose.studies.fault_coverage import Coverage as Coverage
    from diagnose.studies.fault_study import Study as Study
    from diagnose.studies.healthy_unit import HealthyUnit as HealthyUnit
    from diagnose.studies.reliability import Report as Report
    from faultlib.simulate import Bench as Bench
    from faultlib.simulate import Laboratory as Laboratory
    from faultlib.store import Store as Store
    from faultlib.store import default_folder as default_folder

    __version__: str

_ROOMS = {
    "AmplifierError": "circuits.errors",
    "Bench": "faultlib.simulate",
    "Calibration": "diagnose.soundcard.calibration",
    "Card": "diagnose.soundcard.card",
    "Case": "diagnose.sheet.case",
    "Coverage": "diagnose.studies.fault_coverage",
    "EngineError": "circuits.errors",
    "Figure": "diagnose.show.figure",
    "Group": "diagnose.answer.result",
    "HealthyUnit": "diagnose.studies.healthy_unit",
    "InputError": "circuits.errors",
    "Laboratory": "faultlib.simulate",
    "Measured": "diagnose.sheet.entry",
    "Measurement": "diagnose.recording.measurement",
    "NextReading": "diagnose.advice.next_reading",
    "NoSolution": "circuits.errors",
    "Reading": "circuits.reading",
    "Recording": "circuits.signals.recording",
    "Report": "diagnose.studies.reliability",
    "Result": "diagnose.answer.result",
    "Signal": "diagnose.stimulus.signal",
    "Stage": "circuits.stage",
    "Store": "faultlib.store",
    "Study": "diagnose.studies.fault_study",
    "Suspect": "diagnose.answer.result",
    "Taken": "diagnose.soundcard.taken",
    "as_text": "diagnose.door.views",
    "blank": "diagnose.door.sheets",
    "calibrate": "diagnose.door.takes",
    "case": "diagnose.door.sheets",
    "coverage": "diagnose.door.answers",
    "default_folder": "faultlib.store",
    "draw": "diagnose.door.views",
    "figure": "diagnose.door.views",
    "from_netlist": "diagnose.door.netlists",
    "healthy": "diagnose.door.answers",
    "json_schema": "diagnose.schema.documents",
    "load_case": "diagnose.door.sheets",
    "load_stage": "diagnose.door.sheets",
    "measure": "diagnose.door.answers",
    "next_readings": "diagnose.door.answers",
    "proposal": "diagnose.door.sheets",
    "rank": "diagnose.door.answers",
    "recorded": "diagnose.door.signals",
    "report": "diagnose.door.views",
    "samples": "diagnose.door.signals",
    "score": "diagnose.door.answers",
    "serve": "diagnose.door.views",
    "signal": "diagnose.door.signals",
    "sound_card": "diagnose.door.takes",
    "stages": "diagnose.door.sheets",
    "study": "diagnose.door.answers",
    "take": "diagnose.door.takes",
    "to_frame": "diagnose.door.views",
    "to_json": "diagnose.door.views",
    "to_netlist": "diagnose.door.netlists",
    "write_signal": "diagnose.door.signals",
}

__all__ = sorted([*_ROOMS, "__version__"])

_VIEWS = (
    ("Result", "html", "diagnose.show.notebook:answer_html"),
    ("Stage", "svg", "diagnose.show.notebook:stage_svg"),
    ("Result", "frame", "diagnose.show.frames:result_frame"),
    ("Case", "frame", "diagnose.show.frames:case_frame"),
    ("Measurement", "frame", "diagnose.show.frames:measurement_frame"),
    ("Study", "frame", "diagnose.show.frames:study_frame"),
    ("Coverage", "frame", "diagnose.show.frames:coverage_frame"),
)
"""Who draws what a notebook asks for; offered with the first name, since the command imports this
package before it can answer Ctrl-C, and nothing may be loaded by then."""


def __getattr__(name: str) -> object:
    """One name of the front door, from the room that it lives in."""
    if name == "__version__":
        from diagnose.door.version import version_text

        return version_text()
    if name not in _ROOMS:
        raise AttributeError(f"module 'diagnose' has no attribute {name!r}")
    from circuits import prompt

    for offered in _VIEWS:
        prompt.offer(*offered)
    return getattr(import_module(_ROOMS[name]), name)


def __dir__() -> list[str]:
    """The names of the front door."""
    return sorted(__all__)

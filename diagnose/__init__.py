"""From readings to suspects, and what to do next.

The front door: what a script or a notebook needs, each imported when it is first asked for.
::

    from diagnose import Laboratory, Store, as_text, load_case, rank

    with Laboratory(Store(None)) as bench:
        print(as_text(rank(load_case("sheet.yaml"), bench)))
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from circuits.errors import AmplifierError as AmplifierError
    from circuits.errors import InputError as InputError
    from circuits.load import load_stage as load_stage
    from circuits.load import stage_names as stage_names
    from circuits.reading import Reading as Reading
    from circuits.stage import Stage as Stage
    from diagnose.answer.ranking import rank as rank
    from diagnose.answer.result import Result as Result
    from diagnose.answer.result import to_json as to_json
    from diagnose.sheet.blank_yaml import blank_sheet as blank_sheet
    from diagnose.sheet.case import Case as Case
    from diagnose.sheet.case import load_case as load_case
    from diagnose.sheet.proposal import propose as propose
    from diagnose.show.figure import draw as draw
    from diagnose.show.study_figure import study_figure as study_figure
    from diagnose.show.text_answer import as_text as as_text
    from diagnose.studies.fault_study import Study as Study
    from faultlib.simulate import Laboratory as Laboratory
    from faultlib.store import Store as Store
    from faultlib.store import default_folder as default_folder

_ROOMS = {
    "AmplifierError": "circuits.errors",
    "Case": "diagnose.sheet.case",
    "InputError": "circuits.errors",
    "Laboratory": "faultlib.simulate",
    "Reading": "circuits.reading",
    "Result": "diagnose.answer.result",
    "Stage": "circuits.stage",
    "Store": "faultlib.store",
    "Study": "diagnose.studies.fault_study",
    "as_text": "diagnose.show.text_answer",
    "blank_sheet": "diagnose.sheet.blank_yaml",
    "default_folder": "faultlib.store",
    "draw": "diagnose.show.figure",
    "load_case": "diagnose.sheet.case",
    "load_stage": "circuits.load",
    "propose": "diagnose.sheet.proposal",
    "rank": "diagnose.answer.ranking",
    "stage_names": "circuits.load",
    "study_figure": "diagnose.show.study_figure",
    "to_json": "diagnose.answer.result",
}

__all__ = sorted(_ROOMS)


def __getattr__(name: str) -> object:
    """One name of the front door, from the room that it lives in."""
    if name not in _ROOMS:
        raise AttributeError(f"module 'diagnose' has no attribute {name!r}")
    return getattr(import_module(_ROOMS[name]), name)


def __dir__() -> list[str]:
    """The names of the front door."""
    return sorted(_ROOMS)

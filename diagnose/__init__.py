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
    from diagnose.blank import blank_sheet as blank_sheet
    from diagnose.case import Case as Case
    from diagnose.case import load_case as load_case
    from diagnose.figures import draw as draw
    from diagnose.proposal import propose as propose
    from diagnose.rank import rank as rank
    from diagnose.result import Result as Result
    from diagnose.result import to_json as to_json
    from diagnose.study import Study as Study
    from diagnose.study_figure import study_figure as study_figure
    from diagnose.text import as_text as as_text
    from faultlib.simulate import Laboratory as Laboratory
    from faultlib.store import Store as Store
    from faultlib.store import default_folder as default_folder

_ROOMS = {
    "AmplifierError": "circuits.errors",
    "Case": "diagnose.case",
    "InputError": "circuits.errors",
    "Laboratory": "faultlib.simulate",
    "Reading": "circuits.reading",
    "Result": "diagnose.result",
    "Stage": "circuits.stage",
    "Store": "faultlib.store",
    "Study": "diagnose.study",
    "as_text": "diagnose.text",
    "blank_sheet": "diagnose.blank",
    "default_folder": "faultlib.store",
    "draw": "diagnose.figures",
    "load_case": "diagnose.case",
    "load_stage": "circuits.load",
    "propose": "diagnose.proposal",
    "rank": "diagnose.rank",
    "stage_names": "circuits.load",
    "study_figure": "diagnose.study_figure",
    "to_json": "diagnose.result",
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

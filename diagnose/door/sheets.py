"""Stages and sheets: read from whatever is given, and blank ones to fill in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.door.on_bench import on_bench

if TYPE_CHECKING:
    from circuits.reading import Reading
    from circuits.stage import Stage
    from diagnose.sheet.case import Case
    from diagnose.sheet.given import Given
    from faultlib.simulate import Bench


def stages() -> tuple[str, ...]:
    """The names of the stages and units that ship.

    Examples
    --------
    >>> import diagnose
    >>> "phono-opamp" in diagnose.stages()
    True
    """
    from circuits.load import stage_names, unit_names

    return (*stage_names(), *unit_names())


def load_stage(stage: Stage | Given) -> Stage:
    """A stage or unit that ships, or one of your own.

    Parameters
    ----------
    stage : str, Path, mapping or Stage

    Raises
    ------
    InputError
        With the place of the mistake.

    Examples
    --------
    >>> import diagnose
    >>> diagnose.load_stage("filter-high")
    Stage filter-high: Rumble filter, 12 dB an octave
    24 parts; rails vcc 24 V
    test points bm, b1, e1, m, b2, e2, vd, vcc and 1 more
    """
    from diagnose.sheet.given import stage_of

    return stage_of(stage)


def load_case(case: Case | Given, folder: Path | None = None) -> Case:
    """A bench sheet.

    Parameters
    ----------
    case : str, Path, mapping or Case
        A mapping has the keys of a case file; values are texts with their unit, or numbers in the
        quantity's own unit. Its stage may be a `Stage`.
    folder : Path, optional
        Where stages and sweeps are looked for that a text or mapping names; by default the
        working folder.

    Raises
    ------
    InputError
        With the place of the mistake.

    Examples
    --------
    >>> import diagnose
    >>> diagnose.load_case('''
    ... case: Speech sounds thin
    ... stage: tone-control
    ... readings:
    ...   - {quantity: gain, frequency: 1 kHz, value: -0.4 dB}
    ... ''')
    Case Speech sounds thin
    stage tone-control; 1 reading
    """
    from diagnose.sheet.given import case_of

    return case_of(case, folder)


def case(
    stage: Stage | Given,
    readings: Sequence[object] = (),
    name: str = "",
    further: Mapping[str, object] | None = None,
) -> Case:
    """A bench sheet that stands in no file.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    readings : sequence
        Mappings with the keys of a reading, `Measured`, or pairs of a `Reading` and a value.
    name : str
        Of the unit.
    further : mapping, optional
        Other keys of a sheet: ``values``, ``limits``, ``checks``, ``channels`` and so on.

    Raises
    ------
    InputError
        With the place of the mistake.

    Examples
    --------
    >>> import diagnose
    >>> diagnose.case("phono-two-transistor", [
    ...     {"quantity": "dc voltage", "at": "c1", "value": "1.39 V"},
    ...     {"quantity": "gain", "frequency": "1 kHz", "value": 35.4},
    ... ], "Hall amplifier", {"mains": "60 Hz"}).readings
    (dc voltage at c1: 1.39 V, gain at 1 kHz: 35.4 dB)
    """
    drawn = load_stage(stage)
    named = {"case": name} if name else {}
    given = {"readings": list(readings)} if readings else {}
    return load_case({**named, "stage": drawn, **given, **(further or {})})


def blank(stage: Stage | Given, table: bool = False, bench: Bench | None = None) -> str:
    """The text of a blank sheet to fill in, YAML or a table for a spreadsheet.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    table : bool
        A table in place of YAML.
    bench : Bench, optional
        By default one on all cores, with the usual store.
    """
    from diagnose.sheet.blank_csv import blank_csv
    from diagnose.sheet.blank_yaml import blank_sheet
    from diagnose.sheet.given import is_text
    from diagnose.sheet.proposal import on_sheet

    drawn = load_stage(stage)
    reference = ""
    if isinstance(stage, Path) or (isinstance(stage, str) and not is_text(stage)):
        reference = "" if str(stage) in stages() else str(stage)
    with on_bench(bench) as at:
        return (blank_csv if table else blank_sheet)(drawn, on_sheet(drawn, at), reference)


def proposal(stage: Stage | Given, bench: Bench | None = None) -> tuple[Reading, ...]:
    """The readings that a blank sheet asks for, without those under drive."""
    from diagnose.sheet.proposal import propose

    with on_bench(bench) as at:
        return tuple(reading for reading, _ in propose(load_stage(stage), at))

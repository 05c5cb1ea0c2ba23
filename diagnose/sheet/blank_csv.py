"""The blank bench sheet as a table for a spreadsheet, the twin of `diagnose.sheet.blank_yaml`."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from circuits.hazards import hazards
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.blank_yaml import conditions, exact, mind, noted
from diagnose.sheet.csv_sheet import COLUMNS

_ALWAYS = ("quantity", "at", "frequency", "value", "unit", "uncertainty", "max", "min", "remark")
"""Columns that a sheet has whatever its readings."""


def blank_csv(
    stage: Stage, readings: Sequence[tuple[Reading, str]], reference: str = ""
) -> str:
    """The text of a table without values.

    Parameters
    ----------
    readings : sequence of (reading, comment)
        In the order they stand on the sheet.
    reference : str
        What the sheet says of its stage: by default the stage's name.

    Returns
    -------
    str
        Commas between columns, a line a reading; `diagnose.sheet.case.load_case` reads it as it
        is and filled in.
    """
    used = {key for reading, _ in readings for key, _ in conditions(reading)}
    columns = [name for name in COLUMNS if name in _ALWAYS or name in used]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    about = hazards(stage)
    notes = [
        *mind(stage),
        "# Fill in the column value; what is left empty is passed over. A bare number is taken in "
        "the unit beside it.",
        "# A row with a figure under max or min is a published limit. Rows like these may be added "
        "above the headings:",
        "#   value,R5,560   (where this unit's schematic differs)",
        "#   check,C4,good,capacitance and ESR   (or bad, replaced, cleaned, adjusted)",
        "#   observation,intermittent   (or worse when warm, worse with level, after a knock)",
        "#   standard,DIN 45500 amplifier",
    ]
    out.writelines(f"{note}\n" for note in notes)
    writer.writerow(["case", stage.title or stage.name])
    writer.writerow(["stage", reference or stage.name])
    writer.writerow(["mains", exact(stage.mains, "Hz")])
    writer.writerow(columns)
    for reading, comment in readings:
        cells = {key: " to ".join(ends) for key, ends in conditions(reading)}
        remark = noted(about, reading, comment)
        cells.update(quantity=reading.quantity, unit=reading.unit, remark=remark)
        writer.writerow([cells.get(name, "") for name in columns])
    return out.getvalue()


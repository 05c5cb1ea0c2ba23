"""The blank bench sheet as a table for a spreadsheet, the twin of `diagnose.sheet.blank_yaml`."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from circuits.conditions import written
from circuits.hazards import hazards
from circuits.quantity import exact
from circuits.reading import VOLTMETER, Reading
from circuits.stage import Stage
from diagnose.sheet.blank_yaml import mind, noted
from diagnose.sheet.csv_sheet import COLUMNS
from diagnose.sheet.sections import SECTIONS, Section
from faultlib.mode import FORTY

_ALWAYS = ("quantity", "at", "frequency", "value", "expected", "unit", "uncertainty", "max", "min",
           "remark")
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
    used = {key for reading, _ in readings for key, _ in written(reading)}
    columns = [name for name in COLUMNS if name in _ALWAYS or name in used]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    about = hazards(stage)
    notes = [
        *mind(stage),
        "# Fill in the column value; what is left empty is passed over. A bare number is taken in "
        "the unit beside it.",
        "# Under expected: what the service manual or the schematic says that a good unit reads, "
        "with its tolerance if one is printed, such as 14 V ±10 %.",
        "# A row with a figure under max or min is a published limit. Rows like these may be added "
        "above the headings:",
        "#   value,R5,560   (where this unit's schematic differs)",
        *(f"#   {_row(section)}" for section in SECTIONS.values()),
        "#   observation,intermittent   (or worse when warm, worse with level, after a knock)",
        "#   standard,DIN 45500 amplifier",
        "#   load,open   (the loudspeaker was off while all was read; of one reading a column "
        "state says it: load open; lifted C6.positive)",
    ]
    out.writelines(f"{note}\n" for note in notes)
    writer.writerow(["case", stage.title or stage.name])
    writer.writerow(["stage", reference or stage.name])
    writer.writerow(["mains", exact(stage.mains, "Hz")])
    writer.writerow(["age", f"{FORTY:g}"])
    writer.writerow(["meter", exact(VOLTMETER, "ohm")])
    writer.writerow(columns)
    for reading, comment in readings:
        cells = {key: " to ".join(ends) for key, ends in written(reading)}
        remark = noted(about, reading, comment)
        cells.update(quantity=reading.quantity, unit=reading.unit, remark=remark)
        writer.writerow([cells.get(name, "") for name in columns])
    return out.getvalue()



def _row(section: Section[Any]) -> str:
    """An example of a row, with what else may stand in it."""
    other = ", ".join(word for column in section.columns for word in column.choices[1:])
    row = ",".join([section.one, *section.example().values()])
    return f"{row}   (or {other})" if other else row

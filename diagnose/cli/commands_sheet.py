"""The command ``diagnose sheet``: a blank case, as YAML, as a table, or for the clip-board."""

from __future__ import annotations

import argparse
import contextlib
import os
from pathlib import Path

from circuits.errors import InputError
from circuits.load import load_stage, stage_names, unit_names
from circuits.stage import Stage
from diagnose.sheet.blank_csv import blank_csv
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.csv_sheet import CSV
from diagnose.sheet.proposal import on_sheet
from faultlib.simulate import Bench

HTML = (".html", ".htm")
"""How the name of a sheet for the clip-board ends."""


def blank(values: argparse.Namespace, bench: Bench) -> str:
    """The text of a blank sheet, or where it was written.

    Parameters
    ----------
    values : argparse.Namespace
        With ``stage``, ``file`` and ``csv``; a file that ends in `CSV` is a table as well, and one
        that ends in `HTML` a sheet for the clip-board.

    Raises
    ------
    InputError
        For a file that exists, which is kept, or cannot be written.
    """
    path: Path | None = values.file
    stage = load_stage(values.stage)
    if path is not None and path.exists():
        raise exists(path)
    reference = ""
    if values.stage not in (*stage_names(), *unit_names()):
        # a case looks for its stage from its own folder
        reference = os.path.relpath(values.stage, path.parent if path is not None else Path())
    if path is not None and path.suffix.lower() in HTML:
        write_new(path, _on_paper(stage, bench))
        return f"{path} written; open it in a browser and print it\n"
    table = values.csv or (path is not None and path.suffix.lower() in CSV)
    if path is not None and table and path.suffix.lower() not in CSV:
        raise InputError(f"{path} would not be read as a table", expected="a name ending in .csv")
    text = (blank_csv if table else blank_sheet)(stage, on_sheet(stage, bench), reference)
    if path is None:
        return text
    # a spreadsheet takes a table without the mark for the code page of its machine
    write_new(path, text, "utf-8-sig" if table else "utf-8")
    return f"{path} written; fill it in, then: diagnose rank {path}\n"


def _on_paper(stage: Stage, bench: Bench) -> str:
    """The sheet for the clip-board, as a page that needs nothing else."""
    from diagnose.show.blank_paper import paper, paper_html
    from diagnose.studies.good_readings import good_readings

    proposed = on_sheet(stage, bench)
    readings = [reading for reading, _ in proposed]
    good = zip(readings, good_readings(stage, readings, bench), strict=True)
    return paper_html(paper(
        stage, readings, {reading: one for reading, one in good if one is not None},
        notes={reading: text for reading, text in proposed if text},
    ))


def write_new(path: Path, text: str, encoding: str = "utf-8") -> None:
    """Write a file that is not there yet.

    Raises
    ------
    InputError
        For one that is, which stays as it is, or a place that cannot be written to.
    """
    written = False
    try:
        # "x": the file may have come while something was simulated
        with path.open("x", encoding=encoding) as file:
            written = True
            file.write(text)
    except FileExistsError:
        raise exists(path) from None
    except OSError as error:
        if written:  # a full disk takes the name and not the text
            with contextlib.suppress(OSError):
                path.unlink()
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected="a file in a folder that exists") from None


def exists(path: Path) -> InputError:
    """That a file is there already."""
    return InputError(f"{path} exists and was not touched", expected="the name of a new file")

"""The command ``diagnose attach``: photos and traces beside a sheet, named in it."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from diagnose.sheet.attached import TRACES
from diagnose.sheet.attaching import attach
from diagnose.traces.trace_file import load_trace, read_table


def attached(values: argparse.Namespace, say: Callable[[str], None]) -> str:
    """Attach files to a sheet, one after the other.

    Parameters
    ----------
    values : argparse.Namespace
        With ``case``, ``files`` and ``words``.
    say : callable
        Told of each that was attached, so that a mistake in a later one hides none.

    Raises
    ------
    InputError
        For a file that is no photo and no trace, or a sheet that cannot be written.
    """
    for file in values.files:
        if file.suffix.lower() in TRACES:
            table = read_table(file)
            if not table.is_sweep:
                load_trace(table)
        name = attach(values.case, file, values.words)
        say(f"{name} lies beside {values.case.name}")
    return f"{len(values.files)} attached; they are shown in: diagnose report {values.case}\n"

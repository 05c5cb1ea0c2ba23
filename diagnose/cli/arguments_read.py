"""The words of ``diagnose read`` and ``diagnose attach``: sheet, meter, points and files."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path


def read_arguments(
    one: argparse.ArgumentParser, limited: Callable[[argparse.ArgumentParser], None]
) -> None:
    """Add what the command takes.

    Parameters
    ----------
    limited : callable
        Adds the time that a command may simulate.
    """
    one.add_argument("case", metavar="SHEET", type=Path,
                     help="a bench sheet as YAML; each value is written into it as it is taken")
    one.add_argument("--from", dest="address", metavar="ADDRESS", default="",
                     help="of a multimeter that speaks SCPI, as host:port or as VISA has it; "
                     "without it those are named that show themselves")
    one.add_argument("--channel", metavar="NAME", default="",
                     help="of a sheet of two channels, which; by default the one under suspicion")
    one.add_argument("--next", action="store_true",
                     help="the points that diagnose next proposes, not the empty rows of the sheet")
    one.add_argument("--no-cache", action="store_true",
                     help="with --next: simulate everything anew, and keep nothing of it")
    limited(one)


def attach_arguments(one: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    one.add_argument("case", metavar="SHEET", type=Path, help="a bench sheet as YAML")
    one.add_argument("files", metavar="FILE", type=Path, nargs="+",
                     help="photos (.jpg, .png), traces of a scope or sweeps (.csv, .txt, .tsv); "
                     "they are copied beside the sheet")
    one.add_argument("--words", metavar="TEXT", default="",
                     help="what they show, below them in the report")

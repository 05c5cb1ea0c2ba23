"""The words of ``diagnose log``: what the case log can be asked, and what each takes."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from diagnose.log.entry import GOOD, OTHER

PROOF_WORDS = {
    "readings": "readings after", "measured": "measured", "swapped": "swapped", "no": "not proved",
}
"""What ``--proved`` takes, and what that is on a sheet."""
DOES = ("close", "list", "show", "like", "statistics", "export", "import", "backup", "service",
        "strike")


def log_arguments(top: argparse.ArgumentParser, computes: Callable[..., None]) -> None:
    """Add what the log can be asked to the command.

    Parameters
    ----------
    computes : callable
        Adds the options of every command that simulates.
    """
    asked = top.add_subparsers(dest="asked", metavar="WHAT", required=True)

    def of(name: str, about: str, example: str) -> argparse.ArgumentParser:
        return asked.add_parser(
            name, help=about, description=about[:1].upper() + about[1:] + ".",
            epilog=f"example:\n  diagnose log {name} {example}".rstrip(),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    number = "its number as diagnose log list shows it, or the first signs"
    one = of("close", "close a job: what it turned out to be, on its sheet and in the log",
             "hall-record.yaml --found 'C4:high esr' --proved measured --minutes 45")
    one.add_argument("case", metavar="CASE", type=Path, help="its bench sheet")
    what = one.add_mutually_exclusive_group()
    what.add_argument("--found", metavar="PART:MODE", action="append", default=[],
                      help="what it was, such as 'C4:high esr'; once more for a second fault")
    what.add_argument("--nothing-wrong", dest="other", action="store_const", const=GOOD, default="",
                      help="the unit was good")
    what.add_argument("--not-in-library", dest="other", action="store_const", const=OTHER,
                      help="it was something that the library has no mode for; say what by --cause")
    one.add_argument("--proved", metavar="HOW", choices=PROOF_WORDS,
                     help="how it was proved: readings (taken after the repair, on the sheet), "
                     "measured (the part was, and was bad), swapped (a good part cured it), or no; "
                     "only what is proved is learnt from")
    one.add_argument("--cause", metavar="TEXT", help="what it was, in words")
    one.add_argument("--part", metavar="TEXT", action="append",
                     help="a part that was fitted, with its value; once more for the next")
    one.add_argument("--minutes", metavar="N", help="minutes of work")
    one.add_argument("--proposed", choices=("yes", "no"),
                     help="whether readings were taken as diagnose next proposed them")
    computes(one)

    one = of("list", "list the jobs that were closed, the last first", "--stage phono-opamp")
    one.add_argument("--stage", metavar="STAGE", default="", help="of one stage alone")
    one.add_argument("--part", metavar="PART", default="", help="in which that part was it")
    one.add_argument("--serial", metavar="NUMBER", default="", help="of one unit alone")
    _json(one)

    one = of("show", "show one job", "3f2a")
    one.add_argument("job", metavar="NUMBER", help=number)
    _json(one)

    one = of("like", "show cases before that are like a sheet, and jobs on the same unit",
             "hall-record.yaml")
    one.add_argument("case", metavar="CASE", type=Path, help="a filled bench sheet")
    computes(one)

    one = of("statistics", "tell what fails, how often the first answer was right, and what "
             "proposed readings save", "-o shop.png")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg")
    _json(one)

    one = of("export", "write the log for another shop; nothing is handed on by itself",
             "to-a-colleague.jsonl --without-serials")
    one.add_argument("file", metavar="FILE", type=Path,
                     help=".jsonl (JSON lines) or .csv (a table); a file that exists is left alone")
    one.add_argument("--without-serials", action="store_true",
                     help="leave serial numbers and names of cases out")

    one = of("import", "take over the log of another shop; no job twice, however often",
             "from-a-colleague.jsonl")
    one.add_argument("file", metavar="FILE", type=Path, help="as diagnose log export writes it")

    one = of("backup", "write a copy of the whole log", "log-2026-03.sqlite")
    one.add_argument("file", metavar="FILE", type=Path, help="a file that exists is left alone")

    one = of("service", "enter units of a stage that are looked after, so that rates are learnt",
             "phono-opamp --unit-years 250")
    one.add_argument("stage", metavar="STAGE", help="a stage or unit, by name or as a file")
    one.add_argument("--unit-years", metavar="N", type=float, required=True,
                     help="years in service of all units together, while the log was kept")
    one.add_argument("--hours", metavar="N", type=float,
                     help="hours of use in a year, by default 1000")
    one.add_argument("--age", metavar="YEARS", type=float, default=40.0,
                     help="of the units, by default 40")

    one = of("strike", "take a job out of the log", "3f2a")
    one.add_argument("job", metavar="NUMBER", help=number)


def _json(one: argparse.ArgumentParser) -> None:
    one.add_argument("--json", action="store_true", help="print one JSON document, for a script")

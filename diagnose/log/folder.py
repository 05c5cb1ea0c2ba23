"""Where the log is: one file, in the folder in which sheets are kept."""

from __future__ import annotations

from pathlib import Path

from diagnose.sheet.folder import default_shelf

_LEFT_OUT = "left-out"
"""A file beside the log that says that the page ranks without it."""
LOG = Path("_log") / "cases.sqlite"
"""In the folder of sheets; no sheet has such a name. Beside it SQLite keeps what it is writing."""


def default_log() -> Path:
    """The user's log; AMP_DIAGNOSE_SHEETS puts the folder elsewhere.

    Raises
    ------
    InputError
        For an account without a home.
    """
    return log_in(default_shelf())


def log_in(folder: Path) -> Path:
    """The log of a folder of sheets."""
    return folder / LOG


def leave_out(folder: Path, out: bool) -> None:
    """Have the page of a folder of sheets rank without the log, or with it."""
    mark = log_in(folder).with_name(_LEFT_OUT)
    if out:
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()
    else:
        mark.unlink(missing_ok=True)


def left_out(folder: Path) -> bool:
    """Whether the page ranks without the log."""
    return log_in(folder).with_name(_LEFT_OUT).exists()

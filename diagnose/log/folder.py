"""Where the log is: one file, in the folder in which sheets are kept."""

from __future__ import annotations

from pathlib import Path

from diagnose.sheet.folder import default_shelf

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

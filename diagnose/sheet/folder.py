"""The folders in which sheets, and what goes with them, are kept."""

from __future__ import annotations

import os
from pathlib import Path

from circuits.errors import InputError

VARIABLE = "AMP_DIAGNOSE_SHEETS"


def default_shelf() -> Path:
    """The user's folder of sheets; AMP_DIAGNOSE_SHEETS puts it elsewhere.

    Raises
    ------
    InputError
        For an account without a home.
    """
    return kept_in(VARIABLE, "sheets", "sheets")


def kept_in(variable: str, name: str, what: str) -> Path:
    """A folder of the user's data: where a variable of the environment says, else by its name.

    Parameters
    ----------
    what : str
        Is kept there, in words.

    Raises
    ------
    InputError
        For an account without a home.
    """
    given = os.environ.get(variable, "").strip()
    if given:
        return Path(given)
    data = os.environ.get("XDG_DATA_HOME", "").strip()
    try:
        base = Path(data) if data else Path.home() / ".local" / "share"
    except RuntimeError:
        raise InputError(f"this account has no home folder to keep {what} in",
                         expected=f"a folder in {variable}") from None
    return base / "amplifier-fault-diagnosis" / name

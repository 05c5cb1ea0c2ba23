"""The folder in which sheets are kept."""

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
    given = os.environ.get(VARIABLE, "").strip()
    if given:
        return Path(given)
    data = os.environ.get("XDG_DATA_HOME", "").strip()
    try:
        base = Path(data) if data else Path.home() / ".local" / "share"
    except RuntimeError:
        raise InputError("this account has no home folder to keep sheets in",
                         expected=f"a folder in {VARIABLE}") from None
    return base / "amplifier-fault-diagnosis" / "sheets"

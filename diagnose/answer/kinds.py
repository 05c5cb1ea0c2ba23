"""The three kinds of answer, in words."""

from __future__ import annotations

SUSPECTS, NOTHING, UNKNOWN = "suspects", "nothing wrong shows", "not in the library"
KINDS = (SUSPECTS, NOTHING, UNKNOWN)

"""What a script reads of standard output: one JSON document."""

from __future__ import annotations

import json
from typing import Any


def document(content: dict[str, Any]) -> str:
    """The text of a document; a number that JSON has no word for is a mistake of the program."""
    return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n"

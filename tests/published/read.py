"""Reads the published values that tests compare with; each file names its source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml


def published(name: str) -> dict[str, Any]:
    """One file of this folder as plain data."""
    text = Path(__file__).with_name(f"{name}.yaml").read_text(encoding="utf-8")
    data: dict[str, Any] = yaml.load(text, Loader=yaml.CSafeLoader)
    return data

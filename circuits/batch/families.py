"""The laws of devices, by the letter that SPICE names them with."""

from __future__ import annotations

from collections.abc import Mapping
from types import ModuleType

from circuits.batch.devices import bipolar, diode

FAMILIES: Mapping[str, ModuleType] = {"d": diode, "q": bipolar}
"""One module each; see `circuits.batch.devices`."""
GROUNDED: Mapping[str, tuple[str, ...]] = {"q": ("s",)}
"""Terminals that are ground where an element does not name them."""


def expression_of(text: str):
    return None

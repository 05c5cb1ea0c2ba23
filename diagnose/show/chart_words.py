"""Words in a chart: how high and how wide their letters are."""

from __future__ import annotations

from xml.etree import ElementTree as ET

TEXT_SIZE = 13.0
"""Height of the letters, CSS pixels."""
CHARACTER = 0.58 * TEXT_SIZE
"""Usual width of a letter, CSS pixels: the server cannot measure one."""
_BROAD = "mMWΩ%"
"""Letters that are half as wide again."""


def width_of(words: str) -> float:
    """About how wide words are, CSS pixels."""
    return CHARACTER * (len(words) + 0.5 * sum(letter in _BROAD for letter in words))


def text(root: ET.Element, words: str, x: float, y: float, anchor: str = "start") -> ET.Element:
    """Put words at a place; `anchor` says which end of them stands there."""
    element = ET.SubElement(root, "text", {
        "x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor,
    })
    element.text = words
    return element

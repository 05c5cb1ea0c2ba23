"""Where texts, bodies and wires of a picture of a stage are, by the measures of a font."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree as ET

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from circuits.drawing import Layout
from circuits.drawing_nets import stretches

SVG = "{http://www.w3.org/2000/svg}"
Box = tuple[float, float, float, float]

FACE = FontProperties(family="DejaVu Sans")  # type: ignore[no-untyped-call]
"""A face that comes with matplotlib, wider than what browsers usually take for sans-serif."""
SIZES = {"mark": 12.0, "part": 13.0}
MARGIN = 2.0
"""What must stay free on each side of a text, pixels."""
CAPITAL = 0.716
"""Height of a capital over the size of the text, Arial and Helvetica (their metrics files)."""


def groups(root: ET.Element, word: str) -> list[ET.Element]:
    return [g for g in root.iter(f"{SVG}g") if word in g.get("class", "").split()]


def measured(words: ET.Element, size: float) -> Box:
    """Where a text is, by the outlines of the face."""
    outline = TextPath((0, 0), words.text or "", size=size, prop=FACE).get_extents()
    x, y, wide = float(words.get("x", "")), float(words.get("y", "")), outline.width
    left = x - {"middle": 0.5, "end": 1.0}.get(words.get("text-anchor", ""), 0.0) * wide
    return left - MARGIN, y - outline.y1 - 1.0, left + wide + MARGIN, y - outline.y0 + 1.0


def touch(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def texts(root: ET.Element) -> list[tuple[str, str, Box]]:
    """Owner, words and place of every text of a part or a mark."""
    found = []
    for kind, size in SIZES.items():
        for group in groups(root, kind):
            owner = group.get("data-part") or group.get("data-node") or ""
            found += [(owner, t.text or "", measured(t, size)) for t in group.findall(f"{SVG}text")]
    return found


def bodies(root: ET.Element) -> list[tuple[str, Box]]:
    found = []
    for group in groups(root, "part"):
        for r in group.findall(f"{SVG}rect"):
            if r.get("class") == "body":
                x, y, w, h = (float(r.get(k, "")) for k in ("x", "y", "width", "height"))
                found.append((group.get("data-part", ""), (x, y, x + w, y + h)))
    return found


def grounds(root: ET.Element) -> list[Box]:
    found = []
    for group in groups(root, "ground"):
        x, y = (float(n) for n in group[0].get("points", "").split()[0].split(","))
        found.append((x - 8.0, y + 1.0, x + 8.0, y + 16.0))
    return found


def wires(root: ET.Element) -> list[Box]:
    found = []
    for one in root.iter(f"{SVG}polyline"):
        if one.get("class") == "wire":
            corners = [tuple(map(float, p.split(","))) for p in one.get("points", "").split()]
            for (x0, y0), (x1, y1) in pairwise(corners):
                found.append((min(x0, x1) - 1, min(y0, y1) - 1, max(x0, x1) + 1, max(y0, y1) + 1))
    return found


def overlaps(root: ET.Element) -> list[str]:
    """Texts that touch a text, a wire, a ground or a foreign part, and parts that touch."""
    written, solid = texts(root), bodies(root)
    lines = wires(root) + grounds(root)
    found = []
    for k, (owner, words, box) in enumerate(written):
        found += [f"{words} of {owner} / {more} of {other}"
                  for other, more, there in written[k + 1 :] if touch(box, there)]
        found += [f"{words} of {owner} / {other}"
                  for other, there in solid if other != owner and touch(box, there)]
        found += [f"{words} of {owner} / a line at {there}" for there in lines if touch(box, there)]
    for k, (owner, box) in enumerate(solid):
        found += [f"{owner} / {other}" for other, there in solid[k + 1 :] if touch(box, there)]
    return found


def crossings(layout: Layout) -> int:
    """Places where a level stretch and an upright one cross inside both."""
    lines = stretches(layout)
    level = [(sorted((a[0], b[0])), a[1]) for a, b in lines if a[1] == b[1]]
    upright = [(a[0], sorted((a[1], b[1]))) for a, b in lines if a[0] == b[0]]
    return sum(left < x < right and top < y < bottom
               for (left, right), y in level for x, (top, bottom) in upright)

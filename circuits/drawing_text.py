"""A drawing as the text of a drawing file, which `circuits.drawing` reads back as the same."""

from __future__ import annotations

from collections.abc import Iterable

from circuits.drawing import LENGTH, Flag, Layout, Placement, Point
from circuits.yamlfile import quoted


def layout_text(layout: Layout, head: Iterable[str] = ()) -> str:
    """The text of a drawing file.

    Parameters
    ----------
    head : iterable of str
        Comments that stand first.
    """
    lines = [f"# {line}".rstrip() for line in head]
    lines += [f"drawing: {quoted(layout.stage)}", "parts:"]
    lines += [f"  {quoted(name)}: {_placement(place)}" for name, place in layout.parts]
    if layout.wires:
        lines += ["wires:", *(f"  - {_points(wire)}" for wire in layout.wires)]
    if layout.grounds:
        lines.append(f"grounds: {_points(layout.grounds)}")
    for key, flags in (("rails", layout.rails), ("ports", layout.ports),
                       ("test points", layout.test_points)):
        if flags:
            lines += [f"{key}:", *_marks(flags)]
    return "\n".join(lines) + "\n"


def _placement(place: Placement) -> str:
    words = [*map(_number, place.at), place.along]
    if place.length != LENGTH:
        words.append(_number(place.length))
    if place.across:
        words.append(place.across)
    if place.label:
        words.append(f"label {place.label}")
    return f"[{', '.join(words)}]"


def _marks(flags: Iterable[Flag]) -> Iterable[str]:
    """Marks by name; several of one name as a list of them."""
    written: dict[str, list[str]] = {}
    for flag in flags:
        words = (*map(_number, flag.at), flag.side)
        written.setdefault(flag.name, []).append(f"[{', '.join(words)}]")
    for name, marks in written.items():
        said = ", ".join(marks)
        yield f"  {quoted(name)}: " + (said if len(marks) == 1 else f"[{said}]")


def _points(points: Iterable[Point]) -> str:
    return " ".join(",".join(map(_number, point)) for point in points)


def _number(number: float) -> str:
    return f"{number:g}"

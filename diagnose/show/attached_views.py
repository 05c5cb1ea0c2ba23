"""What is attached to a sheet as pieces of its report: photos scaled and embedded, traces drawn."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from circuits.errors import InputError
from diagnose.sheet.attached import Attached
from diagnose.sheet.case import Case
from diagnose.show.figure import Axis, Figure, Panel, Series
from diagnose.traces.trace import Trace
from diagnose.traces.trace_file import load_trace, read_table

_WIDE = 1000
"""Pixels of the longer side of a photo in a report: twice what a column shows, for print."""
_QUALITY = 82
"""Of the JPEG that is embedded."""
_MOST_PIXELS = 80_000_000
"""Pixels of a photo that is read at all; a camera has up to 60 million."""
_COLUMNS = 110
"""Stretches of a trace of which the highest and the lowest point are drawn."""
_TALL, _BROAD = 240.0, 640.0
"""Height and width of the drawing of a trace, CSS pixels."""


@dataclass(frozen=True)
class View:
    """One thing that is shown.

    Attributes
    ----------
    words : str
        Below it.
    picture : str
        A photo as the address of an image that holds it; empty for a trace.
    drawing : str
        A trace as SVG.
    missing : str
        Why it is not shown; empty where it is.
    """

    words: str
    picture: str = ""
    drawing: str = ""
    missing: str = ""


def views(case: Case) -> list[View]:
    """What a report shows of what is attached to its sheet; what cannot be shown says why."""
    folder = case.path.parent
    return [_view(one, folder) for one in case.attached]


def _view(one: Attached, folder: Path) -> View:
    words = f"{one.words} ({one.file})" if one.words else one.file
    path = folder / one.file
    if not path.is_file():
        return View(words, missing="this file is not beside the sheet")
    try:
        if one.is_picture:
            return View(words, picture=embedded(path))
        return View(words, drawing=drawn(path))
    except InputError as error:
        return View(words, missing=error.message)


def embedded(path: Path) -> str:
    """A photo, scaled and turned as its camera says, as the address of an image that holds it.

    Raises
    ------
    InputError
        For a picture that cannot be read.
    """
    from PIL import Image, ImageOps

    try:
        with Image.open(path, formats=("JPEG", "PNG")) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                raise InputError("this picture is too large to be shown", expected="fewer pixels")
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((_WIDE, _WIDE))
            # what the camera noted besides, such as the place, stays out
            paper = Image.new("RGB", upright.size, "white")
            shown = upright.convert("RGBA")
            paper.paste(shown, mask=shown.getchannel("A"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(f"this picture cannot be read: {error}") from None
    body = io.BytesIO()
    paper.save(body, "JPEG", quality=_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(body.getvalue()).decode("ascii")


def drawn(path: Path) -> str:
    """A trace, or a sweep, as a drawing.

    Raises
    ------
    InputError
        For a file that is none.
    """
    from diagnose.show.embedded import charts

    table = read_table(path)
    if table.is_sweep:
        return charts(_sweep_figure(table.numbers, [c.name for c in table.head.columns],
                                    [c.unit for c in table.head.columns]), _BROAD, _TALL)
    return charts(trace_figure(load_trace(table)), _BROAD, _TALL)


def trace_figure(trace: Trace) -> Figure:
    """A trace as a picture: every channel against time, of one unit on one pair of axes."""
    panels = []
    for unit in dict.fromkeys(trace.units):
        series = []
        for name, values, of in zip(trace.channels, trace.values, trace.units, strict=True):
            if of == unit:
                kept = _extremes(values)
                series.append(Series(name, _floats(trace.time[kept]), _floats(values[kept])))
        label = "voltage" if unit == "V" else "current"
        panels.append(Panel("", Axis("time", "s"), Axis(label, unit), tuple(series)))
    return Figure(trace.name, tuple(panels))


def _extremes(values: np.ndarray) -> list[int]:
    """Places of the lowest and the highest point of each stretch, so that no edge is lost."""
    count = len(values)
    if count <= 2 * _COLUMNS:
        return list(range(count))
    ends = np.linspace(0, count, _COLUMNS + 1).astype(int)
    kept = {0, count - 1}
    for a, b in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        kept |= {a + int(values[a:b].argmin()), a + int(values[a:b].argmax())}
    return sorted(kept)


def _sweep_figure(numbers: np.ndarray, names: list[str], units: list[str]) -> Figure:
    panels = []
    size = {"khz": 1e3, "mhz": 1e6}.get(units[0].lower(), 1.0)
    at = _floats(numbers[:, 0] * size)
    for k in range(1, numbers.shape[1]):
        unit = {"°": "deg", "degrees": "deg"}.get(units[k].lower(), units[k])
        axis = Axis(names[k] or f"column {k + 1}", unit)
        panels.append(Panel("", Axis("frequency", "Hz", logarithmic=True), axis,
                            (Series(names[k] or f"column {k + 1}", at, _floats(numbers[:, k])),)))
    return Figure("sweep", tuple(panels))


def _floats(values: Iterable[float]) -> tuple[float, ...]:
    return tuple(float(x) for x in values)

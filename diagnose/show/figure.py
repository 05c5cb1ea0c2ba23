"""A picture described once as frozen data, and one function that draws it to a file.

A `Figure` is panels; a panel is two axes, lines and a band. Whatever shows it (a file, a page)
reads the same description. Colours are the eight of Okabe and Ito (2008, "Color universal
design"), which people with any of the common colour deficiencies tell apart; every line differs
in dash and marker as well, so that a picture survives a grey printer.
"""

from __future__ import annotations

import io
import math
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.errors import InputError
from circuits.prompt import counted, few_lines, some
from diagnose.show.axis import Axis as Axis
from diagnose.show.axis import fine, heading, marks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FORMATS = (".png", ".svg")
PALETTE = ("#000000", "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
"""Okabe and Ito, without yellow, which is lost on white paper."""
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 2)))
"""One a colour, so that lines differ in grey too; a tuple is an offset and lengths of dash and
gap."""
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
_BAND_COLOUR = "#56B4E9"
_FLOOR, _CEILING = 3, 2
"""Marks of matplotlib: a stroke down from a least value, a stroke up from a greatest."""
_MOST_MARKS = 7
"""Marks of a linear axis of a picture in a file."""


@dataclass(frozen=True)
class Series:
    """One line, or points alone where not `joined`; x and y of the same length, SI units."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    joined: bool = True


@dataclass(frozen=True)
class Band:
    """What is usual: the area between two lines over the same x."""

    label: str
    x: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True)
class Bounds:
    """A published figure: what a value must keep from one place of the axis across to another.

    Attributes
    ----------
    start, stop : float
        The same where it holds at one place alone.
    low, high : float or None
        SI; None where there is none on that side.
    """

    label: str
    start: float
    stop: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Panel:
    """One pair of axes with its lines."""

    title: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    bands: tuple[Band, ...] = ()
    limits: tuple[Bounds, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A picture.

    Attributes
    ----------
    note : str
        One or two sentences under the panels.
    """

    title: str
    panels: tuple[Panel, ...]
    note: str = ""

    def __repr__(self) -> str:
        titles = [panel.title for panel in self.panels]
        return few_lines(f"Figure {self.title}", f"{counted(len(titles), 'panel')}: {some(titles)}")

    def _repr_svg_(self) -> str:
        return _drawn(self, "svg").decode("utf-8")


def look(index: int) -> tuple[str, object, str]:
    """Colour, dash and marker of the line of that number; no two of the first seven share any."""
    k = index % len(PALETTE)
    return PALETTE[k], DASHES[k], MARKERS[k]


def draw(figure: Figure, path: Path) -> None:
    """Draw a figure into a file.

    Parameters
    ----------
    path : Path
        Ending in ``.png`` or ``.svg``.

    Raises
    ------
    InputError
        For another ending, or a file that cannot be written.
    """
    check_format(path)
    write(_drawn(figure, path.suffix.lower()[1:]), path)


def write(picture: bytes, path: Path) -> None:
    """Write the bytes of a picture, whole or not at all.

    Raises
    ------
    InputError
        For a file that cannot be written.
    """
    trial = path.with_name(f".{path.name}.part")
    try:
        trial.write_bytes(picture)
        trial.replace(path)
    except OSError as error:
        with suppress(OSError):
            trial.unlink(missing_ok=True)
        raise InputError(
            f"{path} cannot be written: {error.strerror}", expected="a folder that exists"
        ) from error


def _drawn(figure: Figure, form: str) -> bytes:
    """A figure as the bytes of a file of that format."""
    # pyplot would look for a screen; the canvas alone needs none
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Sheet

    count = max(len(figure.panels), 1)
    columns = 1 if count == 1 else 2
    rows = math.ceil(count / columns)
    with mpl.rc_context({"svg.hashsalt": "fixed", "svg.fonttype": "none", "font.size": 9.0}):
        sheet = Sheet(figsize=(5.2 * columns, 3.1 * rows + 0.9), layout="constrained")
        FigureCanvasAgg(sheet)
        sheet.suptitle(figure.title, fontsize=11.0)
        for place, panel in enumerate(figure.panels, start=1):
            _panel(sheet.add_subplot(rows, columns, place), panel)
        if figure.note:
            sheet.supxlabel(figure.note, fontsize=8.0, wrap=True)
        # no date: the same figure is the same file
        stamp = {"Date": None} if form == "svg" else {}
        paper = io.BytesIO()
        sheet.savefig(paper, format=form, dpi=130, metadata=stamp)
    return paper.getvalue()


def check_format(path: Path) -> None:
    """Refuse a file name whose ending names no format that is drawn.

    Raises
    ------
    InputError
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(
            f"a picture cannot be written as {path.name!r}",
            expected="a file name that ends in " + " or ".join(FORMATS),
        )


def _panel(axes: Axes, panel: Panel) -> None:
    axes.set_title(panel.title, fontsize=9.0, loc="left")
    for band in panel.bands:
        axes.fill_between(band.x, band.low, band.high, color=_BAND_COLOUR, alpha=0.3,
                          linewidth=0.0, label=band.label)
        # edges, so that the band is seen without its colour
        for edge in (band.low, band.high):
            axes.plot(band.x, edge, color=PALETTE[0], linewidth=0.5, linestyle=":")
    for k, line in enumerate(panel.series):
        colour, dash, marker = look(k)
        axes.plot(line.x, line.y, color=colour, linestyle=dash if line.joined else "",
                  marker=marker, markersize=3.5, linewidth=1.3, label=line.label)
    told: set[str] = set()
    for limit in panel.limits:
        for y, teeth in ((limit.low, _FLOOR), (limit.high, _CEILING)):
            if y is not None:
                # the teeth point to where a value must not be
                axes.plot([limit.start, limit.stop], [y, y], color=PALETTE[0], linewidth=2.0,
                          marker=teeth, markersize=9.0,
                          label="" if limit.label in told else limit.label)
                told.add(limit.label)
    if panel.x.logarithmic:
        axes.set_xscale("log")
    if panel.y.logarithmic:
        axes.set_yscale("log")
    _marked(axes, panel)
    if panel.x.falling:
        axes.invert_xaxis()
    axes.set_xlabel(heading(panel.x))
    axes.set_ylabel(heading(panel.y))
    axes.grid(visible=True, which="major", linewidth=0.4, alpha=0.6)
    axes.grid(visible=True, which="minor", linewidth=0.25, alpha=0.35)
    if len(panel.series) + len(panel.bands) + len(told) > 1:
        axes.legend(fontsize=7.0)


def _marked(axes: Axes, panel: Panel) -> None:
    """The marks of both axes, over what they reach now."""
    from matplotlib.ticker import NullFormatter

    for axis, kind, ends in (
        (panel.x, axes.xaxis, axes.get_xlim()), (panel.y, axes.yaxis, axes.get_ylim()),
    ):
        low, high = sorted(ends)
        places = marks(axis, low, high, _MOST_MARKS)
        kind.set_ticks([x for x, _ in places], labels=[word for _, word in places])
        kind.set_ticks(fine(axis, low, high), minor=True)
        kind.set_minor_formatter(NullFormatter())

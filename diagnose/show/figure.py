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
_BELOW, _ABOVE = 7, 6
"""Marks of matplotlib: an arrow down or up from a bound, to where the value lies."""
_FEW = 12
"""Points of a line that all have a mark."""
_MARKS_OF_LINE = 0.12
"""Of the diagonal of the axes, between two marks along a line of more."""
_LETTER, _LINE = 4.0, 9.0
"""About how wide and how high a letter of a name is, in dots of a layout of 100 to the inch."""
_ASIDE, _ABOVE_NAMES = 0.12, 0.1
"""Parts of an axis that stay free: beside the first and last of counted places, above names."""
_BELOW_INCHES, _COLUMNS = 0.45, 3
"""Where the legend begins below the axis, past its marks and words; entries beside each other."""
_MOST_MARKS = 7
"""Marks of a linear axis of a picture in a file."""


@dataclass(frozen=True)
class Series:
    """One line, or points alone where not `joined`; x and y of the same length, SI units.

    Attributes
    ----------
    marked : bool
        Whether a long line has its mark along it here and there; the line of a spectrum has none.
    bounds : tuple of str
        Of each point ``<`` or ``>`` where only a bound is known, else empty; none at all where
        every point is a value.
    names : tuple of str
        What stands beside each point: ``2`` at the second harmonic.
    """

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    joined: bool = True
    marked: bool = True
    bounds: tuple[str, ...] = ()
    names: tuple[str, ...] = ()

    def bound(self, k: int) -> str:
        """``<`` or ``>`` where of that point only a bound is known."""
        return self.bounds[k] if self.bounds else ""


@dataclass(frozen=True)
class Band:
    """What is usual: the area between two lines over the same x; `apart`, a box at each of them."""

    label: str
    x: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    apart: bool = False


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
        sheet = Sheet(figsize=(5.2 * columns, 3.4 * rows + 0.9), layout="constrained")
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
        if band.apart:
            # between lines of a spectrum there is less room than between harmonics by number
            axes.vlines(band.x, band.low, band.high, color=_BAND_COLOUR, alpha=0.4,
                        linewidth=5.0 if panel.x.logarithmic else 9.0, label=band.label)
            # ends, so that a box is seen without its colour
            axes.plot([*band.x, *band.x], [*band.low, *band.high], linestyle="", marker="_",
                      color=PALETTE[0], markersize=6.0, markeredgewidth=0.6)
            continue
        axes.fill_between(band.x, band.low, band.high, color=_BAND_COLOUR, alpha=0.3,
                          linewidth=0.0, label=band.label)
        # edges, so that the band is seen without its colour
        for edge in (band.low, band.high):
            axes.plot(band.x, edge, color=PALETTE[0], linewidth=0.5, linestyle=":")
    for k, line in enumerate(panel.series):
        colour, dash, marker = look(k)
        axes.plot(line.x, line.y, color=colour, linestyle=dash if line.joined else "",
                  marker=marker if line.marked else "", markersize=3.5,
                  markevery=_MARKS_OF_LINE if line.joined and len(line.x) > _FEW else 1,
                  linewidth=1.3 if line.marked else 0.8, label=line.label)
        for i, (across, up) in enumerate(zip(line.x, line.y, strict=True)):
            if line.bound(i):
                axes.plot([across], [up], color=colour,
                          marker=_BELOW if line.bound(i) == "<" else _ABOVE,
                          markersize=8.0, linestyle="")
    told: set[str] = set()
    for limit in panel.limits:
        for y, teeth in ((limit.low, _FLOOR), (limit.high, _CEILING)):
            if y is not None:
                # the teeth point to where a value must not be
                axes.plot([limit.start, limit.stop], [y, y], color=PALETTE[0], linewidth=2.0,
                          marker=teeth, markersize=9.0,
                          label="" if limit.label in told else limit.label)
                told.add(limit.label)
                if limit.start == limit.stop:
                    # a line from a place to itself would not be seen
                    axes.plot([limit.start], [y], color=PALETTE[0], marker="_", markersize=14.0,
                              markeredgewidth=2.0)
    if panel.x.logarithmic:
        axes.set_xscale("log")
    if panel.y.logarithmic:
        axes.set_yscale("log")
    # names stand above what they name, and of places that are counted none is at the edge
    axes.margins(x=_ASIDE if panel.x.whole else None,
                 y=_ABOVE_NAMES if any(line.names for line in panel.series) else None)
    _marked(axes, panel)
    if panel.x.falling:
        axes.invert_xaxis()
    _named(axes, panel)
    axes.set_xlabel(heading(panel.x))
    axes.set_ylabel(heading(panel.y))
    axes.grid(visible=True, which="major", linewidth=0.4, alpha=0.6)
    axes.grid(visible=True, which="minor", linewidth=0.25, alpha=0.35)
    if len(panel.series) + len(panel.bands) + len(told) > 1:
        _legend(axes)


def _legend(axes: Axes) -> None:
    """The legend, below the axis: within the frame it would hide a band or a line."""
    from matplotlib.transforms import ScaledTranslation

    sheet = axes.get_figure(root=True)
    assert sheet is not None
    below = ScaledTranslation(0.0, -_BELOW_INCHES, sheet.dpi_scale_trans)
    axes.legend(fontsize=7.0, loc="upper left", ncols=_COLUMNS, frameon=False, borderaxespad=0.0,
                bbox_to_anchor=(0.0, 0.0), bbox_transform=axes.transAxes + below)


def _named(axes: Axes, panel: Panel) -> None:
    """The names beside points; of two that would touch the lower has none."""
    axes.set_ylim(*axes.get_ylim())
    if not any(line.names for line in panel.series):
        return
    # where things stand is known once the sheet has its layout
    sheet = axes.get_figure(root=True)
    assert sheet is not None
    sheet.draw_without_rendering()
    told = [(*axes.transData.transform((x, y)), x, y, name, look(k)[0])
            for k, line in enumerate(panel.series)
            for x, y, name in zip(line.x, line.y, line.names, strict=False) if name]
    kept: list[tuple[float, float, float]] = []
    for across, up, x, y, name, colour in sorted(told, key=lambda one: -one[1]):
        half = _LETTER * len(name) / 2.0
        if all(abs(across - at) >= half + wide or abs(up - high) >= _LINE
               for at, wide, high in kept):
            kept.append((across, half, up))
            axes.annotate(name, (x, y), (0.0, 4.0), textcoords="offset points", fontsize=6.5,
                          ha="center", color=colour)


def _marked(axes: Axes, panel: Panel) -> None:
    """The marks of both axes, over what they reach now."""
    from matplotlib.ticker import NullFormatter

    for axis, kind, ends in (
        (panel.x, axes.xaxis, axes.get_xlim()), (panel.y, axes.yaxis, axes.get_ylim()),
    ):
        low, high = sorted(ends)
        places = marks(axis, low, high, _MOST_MARKS)
        if axis.logarithmic and kind is axes.yaxis and len(places) > 2 * _MOST_MARKS:
            # of so many decades the first of each is named
            places = [place for place in places if f"{place[0]:.3e}"[0] == "1"]
        kind.set_ticks([x for x, _ in places], labels=[word for _, word in places])
        kind.set_ticks(fine(axis, low, high), minor=True)
        kind.set_minor_formatter(NullFormatter())

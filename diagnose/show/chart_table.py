"""What a chart shows as a table: for whoever does not see it, and to copy from."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import escape

from circuits.quantity import render
from diagnose.show.figure import Band, Panel, Series

_MOST = 40
"""Rows; of more some are left out evenly."""


def table(panel: Panel) -> str:
    """The values of a panel, folded away under it.

    Rows are the places at which something was measured or stands by itself; where there is none,
    those of the lines. A line of noise has no column, its named lines have.

    Returns
    -------
    str
        HTML; empty for an axis whose places have names of their own.
    """
    shown = [s for s in panel.series if s.marked]
    if panel.x.words or not shown:
        return ""
    alone = {_key(x) for s in shown if not s.joined for x in s.x}
    places = sorted(alone or {_key(x) for s in shown for x in s.x})
    places = places[:: math.ceil(len(places) / _MOST) or 1]
    heads = [panel.x.label or panel.title, *(s.label for s in shown),
             *(band.label for band in panel.bands), *(["limits"] if panel.limits else [])]
    rows = [[render(x, panel.x.unit), *_cells(panel, shown, x)] for x in places]
    head = "".join(f'<th scope="col">{escape(word)}</th>' for word in heads)
    body = "".join(
        f'<tr><th scope="row">{escape(first)}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"
        for first, *cells in rows
    )
    title = escape(panel.title, quote=True)
    return ('<details class="plotted"><summary>as a table</summary><div class="scroll"'
            f' tabindex="0" role="region" aria-label="Values of {title}"><table><thead>'
            f"<tr>{head}</tr></thead><tbody>{body}</tbody></table></div></details>")


def _key(value: float) -> float:
    """A place as it is compared, as the cursor does."""
    return float(f"{value:.6g}")


def _cells(panel: Panel, shown: list[Series], place: float) -> Iterator[str]:
    unit = panel.y.unit
    for line in shown:
        yield "; ".join(_point(line, k, unit) for k, x in enumerate(line.x) if _key(x) == place
                        and math.isfinite(line.y[k]))
    for band in panel.bands:
        yield _between(band, place, unit)
    if panel.limits:
        yield "; ".join(dict.fromkeys(
            f"{word} {render(value, unit)}" for limit in panel.limits
            if limit.start * (1.0 - 1e-6) <= place <= limit.stop * (1.0 + 1e-6)
            for word, value in (("at least", limit.low), ("at most", limit.high))
            if value is not None))


def _point(line: Series, k: int, unit: str) -> str:
    name = f"{line.names[k]}:" if line.names and line.names[k] else ""
    return " ".join(filter(None, (name, line.bound(k), render(line.y[k], unit))))


def _between(band: Band, place: float, unit: str) -> str:
    ends = next(((low, high) for x, low, high in zip(band.x, band.low, band.high, strict=True)
                 if _key(x) == place), None)
    return " … ".join(render(v, unit) for v in ends) if ends else ""

"""What was read from a recording, as text."""

from __future__ import annotations

from circuits.quantity import render
from circuits.reading import quantity_of, readable
from diagnose.recording.measurement import Item, Measurement
from diagnose.show.text_page import DIM, STRONG, WIDTH, Page

_DIGITS = {"Hz": 6, "deg": 4}
"""Significant digits by unit, where they are not three."""


def measure_text(made: Measurement, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose measure``.

    Parameters
    ----------
    width : int
        Columns.
    colour : bool
        Whether escape codes for weight and colour are written.

    Returns
    -------
    str
        Ends with a newline.
    """
    page = Page(width, colour)
    about = made.about
    page.line(str(about["file"]), STRONG)
    bits = about["bits"]
    form = f"{bits} bit" if isinstance(bits, int) else str(bits)
    if about["rate"]:
        seconds = about["seconds"]
        long = f"{seconds:.3g} s" if seconds >= 0.1 else render(seconds, "s")
        form = f"{long}, {render(about['rate'], 'Hz')}, {form}"
    page.line(f"{made.signal}; {form}", DIM)
    page.line()
    channels = made.channels or ("",)
    names = list(dict.fromkeys(item.name for item in made.items if item.channel in channels))
    cells = {(item.name, item.channel, item.unit): item for item in made.items}
    rows = []
    for name in names:
        units = dict.fromkeys(item.unit for item in made.items if item.name == name)
        for unit in units:
            row = [cells.get((name, channel, unit)) for channel in channels]
            rows.append((name, *(shown(item) if item else "" for item in row)))
    heads = ("", *channels) if made.channels else ()
    right = range(1, len(channels) + 1)
    page.table(heads, rows, right=right, whole=right)
    both = [(item.name, shown(item)) for item in made.items if item.channel not in channels]
    if both:
        page.line()
        page.table((), both, right=(1,), whole=(1,))
    for channel in dict.fromkeys(curve.channel for curve in made.curves):
        _curves(page, made, channel)
    if made.hum:
        page.heading("Hum")
        page.bullets(
            f"{channel}: {text}" if channel else text for channel, text in made.hum
        )
    if made.notes:
        page.heading("Notes")
        page.bullets(made.notes)
    return page.text()


def _curves(page: Page, made: Measurement, channel: str) -> None:
    """What there is against frequency in one channel, with what its noise would show."""
    curves = [curve for curve in made.curves if curve.channel == channel]
    columns = []
    for curve in curves:
        if curve.name in _LEFT_OUT:
            continue
        columns.append((_short(curve.name), curve, curve.values, curve.bounds))
        if curve.floors and curve.name in _WITH_FLOOR:
            columns.append(("noise", curve, curve.floors, ("",) * len(curve.floors)))
    page.heading(f"Against frequency, {channel}" if channel else "Against frequency")
    rows = [["", *(curve.unit.replace("deg", "°") for _, curve, _, _ in columns)]]
    for frequency in sorted({f for _, curve, _, _ in columns for f in curve.frequencies}):
        row = [render(frequency, "Hz")]
        for _, curve, values, bounds in columns:
            if frequency not in curve.frequencies:
                row.append("")
                continue
            k = curve.frequencies.index(frequency)
            row.append(f"{bounds[k]} {_value(values[k], curve.unit)}".strip())
        rows.append(row)
    every = range(len(columns) + 1)
    page.table(("", *(head for head, *_ in columns)), rows, right=every, whole=every, gap=1)


_WITH_FLOOR = ("response", "riaa deviation", "thd", "crosstalk")
"""Curves beside which the noise of the recording stands."""
_LEFT_OUT = ("harmonic 4", "harmonic 5")
"""Curves that no line of a terminal has room for; the document and the table have them."""


def _short(name: str) -> str:
    return name.replace("harmonic ", "h").replace("riaa deviation", "riaa dev.")


def _value(value: float, unit: str) -> str:
    """A number whose unit stands at the head of its column."""
    if unit == "deg":
        return _unsigned(f"{value:.1f}")
    if unit == "dB":
        return _unsigned(f"{value:.2f}" if abs(value) < _FINE else f"{value:.1f}")
    return f"{100.0 * value:.3g}" if unit == "%" else f"{value:.3g}"


def _unsigned(text: str) -> str:
    return text.removeprefix("-") if float(text) == 0.0 else text


_FINE = 10.0
"""dB below which a curve is told to a hundredth."""


def shown(item: Item) -> str:
    """A value as people write it: ``< -97.2 dB``."""
    about = quantity_of(item.name)
    # what is compared as it is may come out as good as nought: an angle of some microdegrees
    straight = about is not None and about.scale == "linear"
    value = readable(about, item.value, item.unit)[0] if about and straight else item.value
    text = render(value, item.unit, _DIGITS.get(item.unit, 3))
    return f"{item.bound} {text}".strip()

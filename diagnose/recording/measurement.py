"""What was read from a recording, as frozen data, and its views as a document and as a sheet.

An item is a figure of the trade; where the bench sheet has a quantity for it, the item carries
the reading as well. Levels, balance, phase between channels and a few more have none.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from circuits.conditions import stated
from circuits.prompt import counted, few_lines, some, view
from circuits.quantity import exact, render
from circuits.reading import shown
from circuits.signals.pilot import Alignment
from diagnose.schema.documents import FORMAT
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.entry import Measured

if TYPE_CHECKING:
    from diagnose.recording.picture import Line, Picture

SWEPT = ("response", "riaa deviation", "thd", "harmonic", "crosstalk")
"""Quantities whose points of one sweep stand together on a sheet."""


@dataclass(frozen=True)
class Item:
    """One figure.

    Attributes
    ----------
    name : str
        ``thd``, ``harmonic 3``, ``hum at 100 Hz``.
    value : float
        SI; a ratio for ``%``, dB as they are.
    unit : str
        As `circuits.quantity.render` takes it; also ``dBFS`` and ``bit``.
    channel : str
        ``left``, ``right``, or empty where there is one channel or where it is of both.
    bound : str
        ``<`` where the figure vanishes in the noise of the recording.
    measured : Measured or None
        The same in the words of the bench sheet.
    """

    name: str
    value: float
    unit: str
    channel: str = ""
    bound: str = ""
    measured: Measured | None = None


@dataclass(frozen=True)
class Curve:
    """One figure against frequency.

    Attributes
    ----------
    name : str
        ``response``, ``riaa deviation``, ``phase``, ``thd``, ``harmonic 2``, ``crosstalk``.
    unit : str
        As that of `Item`.
    channel : str
        As that of `Item`.
    frequencies : tuple of float
        Hz, rising.
    values : tuple of float
        As that of `Item`.
    bounds : tuple of str
        ``<`` where the noise of the recording hides it.
    floors : tuple of float
        What noise alone would show, in the same unit; empty where that says nothing.
    measured : tuple of Measured
        Those points of it that belong on a bench sheet.
    """

    name: str
    unit: str
    channel: str
    frequencies: tuple[float, ...]
    values: tuple[float, ...]
    bounds: tuple[str, ...]
    floors: tuple[float, ...] = ()
    measured: tuple[Measured, ...] = ()

    def at(self, frequency: float) -> float:
        """Its value at one of its frequencies.

        Raises
        ------
        ValueError
            When it has none there.
        """
        return self.values[self.frequencies.index(frequency)]


@dataclass(frozen=True)
class Measurement:
    """All that was read from one recording.

    Attributes
    ----------
    about : dict
        The recording as plain data, of `circuits.signals.recording.about`.
    signal : str
        What it was taken for, a word of `diagnose.recording.recognise.SIGNALS`.
    full_scale : float or None
        V RMS of a sine whose peaks reach digital full scale, as told.
    hum : tuple of (channel, sentence)
        What the pattern of the mains lines says.
    output : str
        Of a trace of several channels, the one at the unit's output, whose readings are the
        sheet's; empty where every channel is one of the unit's own.
    curves : tuple of Curve
        Of a sweep.
    alignment : Alignment or None
        Where the pilots of the recording put it, and how its clock compares.
    pictures : tuple of Picture
        What each channel shows, to be looked at.
    """

    about: dict[str, Any]
    signal: str
    full_scale: float | None
    items: tuple[Item, ...]
    hum: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = field(default=())
    output: str = ""
    curves: tuple[Curve, ...] = ()
    alignment: Alignment | None = None
    pictures: tuple[Picture, ...] = ()

    def __repr__(self) -> str:
        figures = [f"{i.name} {i.bound} {render(i.value, i.unit)}" for i in self.items[:4]]
        name = self.about.get("file", "a recording")
        return few_lines(
            f"Measurement of {name}: {self.signal}",
            ", ".join([*figures, "…"]) if len(self.items) > len(figures) else some(figures),
            counted(len(self.notes), "note"),
        )

    def to_frame(self) -> Any:
        """The figures as a pandas table, a row each."""
        return view(self, "frame")

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that items belong to, in their order."""
        told = [*(item.channel for item in self.items), *(c.channel for c in self.curves)]
        return tuple(dict.fromkeys(name for name in told if name))

    def readings(self, channel: str = "") -> tuple[Measured, ...]:
        """What belongs on a bench sheet.

        Parameters
        ----------
        channel : str
            Empty for a recording of one channel.
        """
        items = [item.measured for item in self.items
                 if item.measured is not None and item.channel == channel]
        curves = [one for curve in self.curves if curve.channel == channel
                  for one in curve.measured]
        return (*items, *curves)

    def curve(self, name: str, channel: str = "") -> Curve:
        """The curve of that name.

        Raises
        ------
        KeyError
            When there is none.
        """
        for curve in self.curves:
            if (curve.name, curve.channel) == (name, channel):
                return curve
        raise KeyError(name)

    def item(self, name: str, channel: str = "") -> Item:
        """The item of that name.

        Raises
        ------
        KeyError
            When there is none.
        """
        for item in self.items:
            if (item.name, item.channel) == (name, channel):
                return item
        raise KeyError(name)


def to_json(made: Measurement) -> dict[str, Any]:
    """The document of ``diagnose measure --json``.

    Returns
    -------
    dict
        Plain data; values in the unit beside them, so ``%`` in per cent.
    """
    return {
        "format": FORMAT,
        **made.about,
        "signal": made.signal,
        "full scale": made.full_scale,
        "items": [_item(item) for item in made.items],
        "hum": [{"channel": channel, "says": text} for channel, text in made.hum],
        "lines": [_line(made, one, line) for one in made.pictures for line in one.lines],
        "notes": list(made.notes),
        "curves": [_curve(curve) for curve in made.curves],
        "alignment": _alignment(made.alignment),
    }


def _curve(curve: Curve) -> dict[str, Any]:
    scale = 100.0 if curve.unit == "%" else 1.0
    points = []
    for k, (at, value) in enumerate(zip(curve.frequencies, curve.values, strict=True)):
        point: dict[str, Any] = {"frequency": at, "value": value * scale}
        if curve.bounds[k]:
            point["bound"] = curve.bounds[k]
        if curve.floors:
            point["floor"] = curve.floors[k] * scale
        points.append(point)
    document: dict[str, Any] = {"name": curve.name, "unit": curve.unit, "points": points}
    if curve.channel:
        document["channel"] = curve.channel
    return document


def _alignment(found: Alignment | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"start": found.start, "clock": found.ppm, "confidence": found.confidence,
            "shaped": found.shaped}


def _line(made: Measurement, one: Picture, line: Line) -> dict[str, Any]:
    level, unit = line.level(made.full_scale)
    document: dict[str, Any] = {"frequency": line.frequency, "level": level, "unit": unit,
                                "kind": line.kind}
    if line.name:
        document["name"] = line.name
    if one.channel:
        document["channel"] = one.channel
    return document


def _item(item: Item) -> dict[str, Any]:
    document: dict[str, Any] = {
        "name": item.name,
        "value": item.value * 100.0 if item.unit == "%" else item.value,
        "unit": item.unit,
    }
    if item.channel:
        document["channel"] = item.channel
    if item.bound:
        document["bound"] = item.bound
    if item.measured is not None:
        document["reading"] = _conditions(item.measured)
    return document


def _conditions(measured: Measured) -> dict[str, Any]:
    reading = measured.reading
    document: dict[str, Any] = {"quantity": reading.quantity}
    for condition, value in stated(reading):
        plain = value[1] if condition.field == "level" else value
        document[condition.word] = list(plain) if isinstance(plain, tuple) else plain
    document["value"] = shown(reading, measured.value)
    document["unit"] = reading.unit
    return document


def curve_table(made: Measurement) -> str:
    """The curves as comma-separated columns, that `diagnose.sheet.sweep_file` reads.

    Returns
    -------
    str
        A row a frequency; empty where a curve has no point.
    """
    heads = [f"{curve.channel} {curve.name} ({curve.unit})".strip() for curve in made.curves]
    rows = [",".join(["Frequency (Hz)", *heads])]
    columns = [dict(zip(c.frequencies, range(len(c.frequencies)), strict=True))
               for c in made.curves]
    for frequency in sorted({f for curve in made.curves for f in curve.frequencies}):
        cells = [f"{frequency:g}"]
        for curve, places in zip(made.curves, columns, strict=True):
            k = places.get(frequency)
            cells.append("" if k is None else _cell(curve, k))
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def _cell(curve: Curve, k: int) -> str:
    value = curve.values[k] * (100.0 if curve.unit == "%" else 1.0)
    return f"{curve.bounds[k]} {value:.5g}".strip()


def sheet_lines(made: Measurement) -> str:
    """The readings as lines of a bench sheet, to be pasted into one.

    Returns
    -------
    str
        ``readings:`` of one channel, or ``channels:`` of two.
    """
    if not made.channels:
        return "\n".join(["readings:", *_lines(made.readings(), "  ")]) + "\n"
    if made.output:
        return "\n".join(["readings:", *_lines(made.readings(made.output), "  ")]) + "\n"
    lines = ["channels:"]
    for channel in made.channels:
        lines += [f"  {channel}:", "    readings:", *_lines(made.readings(channel), "      ")]
    return "\n".join(lines) + "\n"


def _lines(readings: Iterable[Measured], indent: str) -> list[str]:
    """One line a reading; of a sweep, one for all its points."""
    lines = []
    for together in _grouped(readings):
        first = together[0].reading
        if len(together) == 1:
            empty = entry_line(first)
            lines.append(f"{indent}- {empty[:-1]}{_text(together[0])}}}")
            continue
        empty = entry_line(replace(first, frequency=0.0)).removesuffix("value: }")
        points = ", ".join(f"{exact(one.reading.frequency, 'Hz')}: {_text(one)}"
                           for one in together)
        lines.append(f"{indent}- {empty}points: {{{points}}}}}")
    return lines or [f"{indent}[]"]


def _grouped(readings: Iterable[Measured]) -> list[list[Measured]]:
    """Neighbours that differ in their frequency alone, together."""
    groups: list[list[Measured]] = []
    for measured in readings:
        reading = measured.reading
        plain = replace(reading, frequency=0.0)
        swept = reading.quantity in SWEPT and reading.frequency
        if swept and groups and replace(groups[-1][0].reading, frequency=0.0) == plain:
            groups[-1].append(measured)
        else:
            groups.append([measured])
    return groups


def _text(measured: Measured) -> str:
    text = render(measured.value, measured.reading.unit, 4)
    return f'"{measured.bound} {text}"' if measured.bound else text

"""What was read from a recording, as frozen data, and its views as a document and as a sheet.

An item is a figure of the trade; where the bench sheet has a quantity for it, the item carries
the reading as well. Levels, balance, phase between channels and a few more have none.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from circuits.conditions import stated
from circuits.prompt import counted, few_lines, some, view
from circuits.quantity import render
from circuits.reading import shown
from diagnose.schema.documents import FORMAT
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.entry import Measured


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
    """

    about: dict[str, Any]
    signal: str
    full_scale: float | None
    items: tuple[Item, ...]
    hum: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = field(default=())
    output: str = ""

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
        return tuple(dict.fromkeys(item.channel for item in self.items if item.channel))

    def readings(self, channel: str = "") -> tuple[Measured, ...]:
        """What belongs on a bench sheet.

        Parameters
        ----------
        channel : str
            Empty for a recording of one channel.
        """
        return tuple(
            item.measured for item in self.items
            if item.measured is not None and item.channel == channel
        )

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
        "notes": list(made.notes),
    }


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
    lines = []
    for measured in readings:
        reading = measured.reading
        text = render(measured.value, reading.unit, 4)
        if measured.bound:
            text = f'"{measured.bound} {text}"'
        empty = entry_line(reading)
        lines.append(f"{indent}- {empty[:-1]}{text}}}")
    return lines or [f"{indent}[]"]

"""The pictures of a recording: its spectrum with harmonics and mains lines named, or its wave.

Levels are in volts where the full scale of the recorder is known, else in dB of full scale.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from circuits.errors import InputError, Place
from circuits.quantity import render
from diagnose.recording.measurement import Curve, Measurement
from diagnose.recording.picture import HARMONIC, MAINS, PRODUCT, SIGNAL, Picture
from diagnose.sheet.case import Case
from diagnose.sheet.recordings import Recorded
from diagnose.show.figure import Axis, Bounds, Figure, Panel, Series
from diagnose.show.spectrum_bands import Good, bands_of

_ROOT = math.sqrt(2.0)
"""Peak over RMS of a sine."""
_DEEP = 160.0
"""dB below the greatest line that a spectrum is drawn to: below lies the arithmetic."""
_BEFORE, _AFTER = 2.0, 8.0
"""Rise times before the middle of an edge and after it that are drawn."""
_KNEES = (0.1, 0.9)
"""Of a step: between these it rises (IEC 60268-3, from memory)."""
_KINDS = {SIGNAL: "signal", HARMONIC: "harmonics, by number", PRODUCT: "products",
          MAINS: "mains lines, Hz"}
"""What lines of a kind are called, in the order of their marks."""
_WORDS = {
    "sine": "spectrum", "difference tone": "spectrum, difference tones",
    "modulation": "spectrum, modulation", "tones": "spectrum, many tones", "silence":
    "spectrum without signal", "square": "square wave",
}


def recording_figure(made: Measurement) -> Figure:
    """Everything of one recording that can be looked at.

    Parameters
    ----------
    made : Measurement
        Of `diagnose.recording.measuring`.

    Returns
    -------
    Figure
        A panel a channel of a spectrum, since two lines of noise hide each other; of a square wave
        one of the period and one of its rising edge, with both channels.

    Raises
    ------
    InputError
        For what has no picture, such as a trace.
    """
    if not made.pictures and not made.curves:
        raise InputError(f"{made.about['file']} has no picture", expected="a sound file")
    return Figure(str(made.about["file"]), tuple(panels_of(made)), _note(made))


def panels_of(made: Measurement, limits: Sequence[Bounds] = ()) -> list[Panel]:
    """The panels of `recording_figure`; limits are of mains lines, V."""
    words = _WORDS.get(made.signal, "spectrum")
    panels = [spectrum_panel(one, made.full_scale, words, limits)
              for one in made.pictures if one.kind == "spectrum"]
    waves = [one for one in made.pictures if one.kind == "wave"]
    return [*panels, *_waves(waves, made.full_scale, words), *_swept(made.curves)]


def _swept(curves: Sequence[Curve]) -> list[Panel]:
    """The curves of a sweep, both channels on one panel."""
    kinds = dict.fromkeys((one.name, one.unit) for one in curves)
    return [
        Panel(name, Axis("frequency", "Hz", logarithmic=True),
              Axis(name, unit, logarithmic=unit == "%"), tuple(
                  Series(one.channel or "recorded", tuple(one.frequencies), tuple(one.values),
                         bounds=tuple(one.bounds) if any(one.bounds) else ())
                  for one in curves if (one.name, one.unit) == (name, unit)))
        for name, unit in kinds
    ]


@dataclass(frozen=True)
class Heard:
    """A recording that a sheet names, as it was read."""

    title: str
    made: Measurement


def attached(case: Case) -> tuple[list[Heard], list[str]]:
    """The recordings that a sheet names.

    Returns
    -------
    heard : list of Heard
    notes : list of str
        What of them could not be read, and how the spectra are to be read.
    """
    heard: list[Heard] = []
    notes: list[str] = []
    for recorded in case.recordings:
        try:
            made = _measured(recorded, case)
        except InputError as error:
            notes.append(f"The recording {recorded.file} is not drawn: {error.message}.")
            continue
        heard.append(Heard(recorded.title, made))
        notes.append(_note(made))
    return heard, [note for note in dict.fromkeys(notes) if note]


def attached_panels(
    case: Case, heard: Sequence[Heard], good: Good | None = None, label: str = ""
) -> list[Panel]:
    """The pictures of the recordings that a sheet names.

    Parameters
    ----------
    good : mapping, optional
        Between which values good units read, by which the lines of a spectrum get their bands.
    label : str
        What these are called.
    """
    panels: list[Panel] = []
    for one in heard:
        titles = {_titled(_WORDS.get(one.made.signal, "spectrum"), picture.channel): picture.channel
                  for picture in one.made.pictures if picture.kind == "spectrum"}
        # hum is limited without a signal: under drive a supply's ripple is more by itself
        limits = _hum_limits(case) if one.made.signal == "silence" else ()
        for panel in panels_of(one.made, limits):
            bands = panel.bands
            if panel.title in titles:
                bands = bands_of(one.made, titles[panel.title], good or {}, case.stage, label)
            panels.append(replace(panel, title=f"{panel.title}: {one.title}", bands=bands))
    return panels


def _measured(recorded: Recorded, case: Case) -> Measurement:
    from diagnose.recording.measuring import measure
    from diagnose.recording.options import checked_options

    path = Path(case.path).parent / recorded.file
    if not path.is_file():
        raise InputError("it does not lie beside the sheet", place=Place(recorded.file))
    return measure(path, checked_options(
        recorded.signal, recorded.full_scale, driven=recorded.driven, mains=case.stage.mains))


def _hum_limits(case: Case) -> tuple[Bounds, ...]:
    """What a sheet says of mains lines in volts."""
    return tuple(
        Bounds(f"limit, {one.standard}" if one.standard else "limit", f, f, one.low, one.high)
        for one in case.limits
        if one.reading.quantity == "hum" and one.reading.level is None
        and not one.reading.at and (f := one.reading.frequency)
    )


def _note(made: Measurement) -> str:
    width = next((one.width for one in made.pictures if one.width), 0.0)
    if not width:
        return ""
    return ("In a spectrum lines stand at their RMS level; "
            f"noise reads as in a band of {render(width, 'Hz')}.")


def spectrum_panel(
    one: Picture, full_scale: float | None, words: str, limits: Sequence[Bounds] = (),
    whole: str = "all that was recorded", always: Sequence[str] = (),
) -> Panel:
    """One spectrum with its lines named.

    Parameters
    ----------
    full_scale : float or None
        V RMS of a sine that fills it; without, levels are dB of full scale.
    words : str
        Its title.
    limits : sequence of Bounds
        Of mains lines, V.
    whole : str
        What the line of the whole spectrum is called.
    always : sequence of str
        Kinds of lines that have their mark and word even while there is none.
    """
    top = max([*one.y, *(line.rms for line in one.lines)], default=0.0) or 1.0
    floor = top * 10.0 ** (-_DEEP / 20.0)

    def level(rms: float) -> float:
        rms = max(rms, floor)
        return 20.0 * math.log10(rms * _ROOT) if full_scale is None else rms * _ROOT * full_scale

    series = [Series(whole, one.x, tuple(map(level, one.y)), marked=False)]
    for kind in _KINDS:
        # what lies at the floor of the drawing is none of the unit's
        lines = [line for line in one.lines
                 if line.kind == kind and (kind == SIGNAL or line.rms > floor)]
        if lines or kind in always:
            names = tuple(line.name for line in lines)
            places = tuple(line.frequency for line in lines)
            series.append(Series(_of_kind(kind, len(lines)), places, tuple(
                level(line.rms) for line in lines
            ), joined=False, names=names if any(names) else ()))
    y = Axis("level", "dBFS") if full_scale is None else Axis("level, RMS", "V", logarithmic=True)
    return Panel(_titled(words, one.channel), Axis("frequency", "Hz", logarithmic=True), y,
                 tuple(series), (), tuple(limits) if full_scale is not None else ())


def _of_kind(kind: str, count: int) -> str:
    return f"{count} tones" if kind == SIGNAL and count > 1 else _KINDS[kind]


def _waves(
    waves: Sequence[Picture], full_scale: float | None, words: str
) -> list[Panel]:
    if not waves:
        return []
    y = (Axis("momentary value, of full scale") if full_scale is None
         else Axis("momentary value", "V"))

    def value(share: float) -> float:
        return share if full_scale is None else share * _ROOT * full_scale

    def named(one: Picture) -> str:
        return one.channel or "recorded"

    whole = tuple(Series(named(one), one.x, tuple(map(value, one.y))) for one in waves)
    panels = [Panel(f"{words}, one period", Axis("time", "s"), y, whole)]
    edges = [edge for one in waves if (edge := _edge(one)) is not None]
    if edges:
        start, stop = min(e[0] for e in edges), max(e[1] for e in edges)
        series = [Series(named(one), *_columns([
            (x, v) for x, v in zip(one.x, one.y, strict=True) if start <= x <= stop
        ], value)) for one in waves]
        knees = sorted(knee for _, _, both in edges for knee in both)
        names = [f"{100.0 * share:.0f} %" for _, _, share in knees]
        series.append(Series("10 and 90 % of the step", *_columns(
            [(x, v) for x, v, _ in knees], value), joined=False, names=tuple(names)))
        panels.append(Panel(f"{words}, rising edge", Axis("time", "s"), y, tuple(series)))
    return panels


Points = list[tuple[float, float]]


def _columns(
    points: Points, value: Callable[[float], float]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(x for x, _ in points), tuple(value(v) for _, v in points)


def _edge(one: Picture) -> tuple[float, float, list[tuple[float, float, float]]] | None:
    """Where the rising edge of a wave is drawn from and to, s, and where it is at 10 and 90 %.

    These as time, value and share.
    """
    low, high = one.flats
    crossed = [_crossing(one, low + share * (high - low)) for share in _KNEES]
    early, late = crossed
    if early is None or late is None or late[0] <= early[0]:
        return None
    rise, middle = late[0] - early[0], (late[0] + early[0]) / 2.0
    knees = [(*at, share) for at, share in zip((early, late), _KNEES, strict=True)]
    return middle - _BEFORE * rise, middle + _AFTER * rise, knees


def _crossing(one: Picture, level: float) -> tuple[float, float] | None:
    """Where a wave passes a level upward for the first time, by a straight line."""
    for k in range(1, len(one.x)):
        before, after = one.y[k - 1], one.y[k]
        if before < level <= after:
            part = (level - before) / (after - before)
            return one.x[k - 1] + part * (one.x[k] - one.x[k - 1]), level
    return None


def _titled(words: str, channel: str) -> str:
    return f"{words}, {channel}" if channel else words

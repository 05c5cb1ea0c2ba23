"""What a terminal shows of a take: what is to be taken, the level that comes in, and a reading."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.quantity import render
from circuits.reading import Reading
from diagnose.answer.judgement import VerdictLine
from diagnose.show.text_page import Page
from diagnose.soundcard.level import BANDS, Level
from diagnose.soundcard.session import Step
from diagnose.soundcard.taking import Taken
from faultlib.good_unit import Figure

_BARS = " ▁▂▃▄▅▆▇█"
"""Heights of a band of the spectrum."""
_LOWEST, _HIGHEST = -120.0, 0.0
"""dBFS that the spectrum and the level reach from and to."""
_ROOMY = 110
"""Columns from which there is room for more."""
_WIDE, _NARROW = 24, 8
"""Columns of the level, where there is room and else."""
_MARK = "·"
"""What the level is not."""


def wanted_text(
    made: Sequence[Step], left: Sequence[tuple[Reading, str, str]], card: str, width: int,
    colour: bool,
) -> str:
    """The steps of a session, and what is left to others.

    Parameters
    ----------
    left : sequence of (reading, channel, why)
        What the sheet asks for and a card cannot take.
    card : str
        Of the card, a line.
    """
    page = Page(width, colour)
    page.line(card)
    page.heading("Steps")
    rows = []
    for number, step in enumerate(made, 1):
        text = step.text
        if step.task is not None and len(step.task.readings) > 1:
            # what both channels have alike is told once
            told = dict.fromkeys(r.label() for task in step.takes for r in task.readings)
            text += ": " + "; ".join(told)
        rows.append((f"{number}.", text))
    page.table((), rows, right=(0,))
    if left:
        page.heading("Left to other instruments")
        whys: dict[str, list[str]] = {}
        for reading, channel, why in left:
            whys.setdefault(why, []).append(reading.label() + (f", {channel}" if channel else ""))
        page.bullets(f"{'; '.join(labels)}: {why}" for why, labels in whys.items())
    return page.text()


def level_line(seen: Level, full_scale: float, width: int) -> str:
    """One line of what comes in just now: level, warnings, spectrum.

    Parameters
    ----------
    full_scale : float
        V RMS of a sine that fills the input; 0 where that is not known.
    """
    roomy = width >= _ROOMY
    wide = _WIDE if roomy else _NARROW
    said, warning = level_words(seen, full_scale)
    words = f"{'█' * round(share(seen.peak) * wide):{_MARK}<{wide}} {said}"
    if warning:
        words += f"  {warning}"
    row = spectrum(seen)
    row = f"  20 Hz {row} 20 kHz" if roomy else f"  {row}"
    return (words + row if len(words + row) <= width else words)[:width]


def level_words(seen: Level, full_scale: float) -> tuple[str, str]:
    """The level in words, and what to mind of it; that is empty for nothing.

    Parameters
    ----------
    full_scale : float
        As `level_line`.
    """
    volts = f" {render(full_scale * 10.0 ** (seen.rms / 20.0), 'V')}" if full_scale else ""
    said = f"{seen.rms:.1f} dBFS{volts}"
    if seen.clipped:
        return said, "CLIPS: turn it down"
    if seen.hum:
        frequency, loud = seen.hum[0]
        return said, f"hum {render(frequency, 'Hz')} {loud:.0f}"
    return said, ""


def share(level: float) -> float:
    """How far up the scale of the level meter a level is, dBFS: 0 to 1."""
    return (min(max(level, _LOWEST), _HIGHEST) - _LOWEST) / (_HIGHEST - _LOWEST)


def spectrum(seen: Level) -> str:
    """The bands of a third of an octave as one row of columns, −120 to 0 dBFS."""
    top = len(_BARS) - 1
    row = ""
    for band in seen.bands[: len(BANDS)]:
        row += _BARS[round(share(band) * top)]
    return row


def taken_text(
    taken: Taken, channel: str = "", good: Figure | None = None,
    limits: Sequence[VerdictLine] = (),
) -> str:
    """A reading beside what good units read and what is published."""
    said = [f"{taken.reading.label()}{f', {channel}' if channel else ''}: {taken.text()}"]
    if good is not None:
        said.append(beside_good(taken.reading, taken.value, good, bool(taken.bound)))
    said += [against_limit(line) for line in limits]
    return "  –  ".join(said)


def beside_good(reading: Reading, value: float, good: Figure, bound: bool = False) -> str:
    """A reading, SI, beside what good units read; `bound` where no more than a bound is known."""
    if good.low == good.high:
        return f"a good unit {render(good.value, reading.unit)}"
    inside = good.low <= value <= good.high
    where = "within" if inside else "above" if value > good.high else "below"
    if bound and not inside:
        where = "a bound beside"
    return (f"{where} good units, {render(good.low, reading.unit)} to "
            f"{render(good.high, reading.unit)}")


def against_limit(line: VerdictLine) -> str:
    """A reading against what is published."""
    ends = [f"{word} {limit:.4g} {line.unit}".rstrip() for word, limit in
            (("at least", line.minimum), ("at most", line.maximum)) if limit is not None]
    verdict = "met" if line.passes else "NOT MET"
    return f"{verdict}{'' if line.certain else ' (uncertain)'}: {' and '.join(ends)}"

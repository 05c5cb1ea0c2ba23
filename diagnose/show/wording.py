"""How an answer says things, on a terminal, on the page and in a report alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from circuits.quantity import render
from circuits.reading import quantity_of, readable
from diagnose.advice.next_reading import NextReading, worth
from diagnose.answer.outcome import Hidden
from diagnose.answer.read_again import ReadAgain
from diagnose.answer.result import ExpectedLine, Severity, Suspect, VerdictLine
from diagnose.sheet.entry import OPEN, RESISTANCE
from diagnose.show.stage.chance import chance as chance

if TYPE_CHECKING:
    from faultlib.good_unit import Figure

MOST_READINGS = 8
"""Readings that a text lists of one suspect or one repair; ``--json`` has them all."""
MOST_MEMBERS = 8
"""Members of an answer that are listed."""
_HARDLY = 0.005
"""Members less probable than this share one line."""


def amount(value: float, unit: str, reading: str = "", bound: bool = True) -> str:
    """A value in the unit shown (percent for ``%``, SI otherwise) as people write it.

    Parameters
    ----------
    value : float
    unit : str
    reading : str
        The label of the reading that a simulated value is of: no more of it is written than a
        bench instrument shows, so 50 pV of direct voltage are ``0 V`` and 300 nV of hum ``< 1 µV``.
        Empty for a value that somebody has read, which stands as it was read.
    bound : bool
        Whether a value too small to be shown has its ``<``; without it the least that is shown
        stands alone, as the end of a range.
    """
    value = value / 100.0 if unit == "%" else value
    about = quantity_of(reading) if reading else None
    if about is None:
        return render(value, unit)
    value, sign = readable(about, value, unit)
    text = render(value, unit)
    return f"{sign} {text}" if sign and bound else text


def measured_amount(line: ExpectedLine) -> str:
    """What was measured beside an expected figure, or that nothing was."""
    if line.measured is None:
        return "not read"
    return f"{line.bound} {amount(line.measured, line.unit)}".strip()


READ_AGAIN = "Read again before anything is replaced"
"""Heads the readings that nothing explains."""


_NONE = "no likely fault explains it together with the others"


def measured_again(one: ReadAgain) -> str:
    """A reading that nothing explains, as it stands on the sheet."""
    where = f"{one.reading}, {one.channel}" if one.channel else one.reading
    return f"{where}: {one.bound} {amount(one.measured, one.unit)}".replace(":  ", ": ")


def why_again(one: ReadAgain) -> str:
    """What it would read by all that is known."""
    healthy = amount(one.healthy, one.unit, one.reading)
    predicted = amount(one.predicted, one.unit, one.reading)
    if not one.cause or predicted == healthy:
        with_it = f", and with {one.cause} too" if one.cause else ""
        return f"{_NONE}; a good unit gives {healthy}{with_it}"
    return f"{_NONE}; a good unit gives {healthy}, with {one.cause} {predicted}"


def span(low: float | None, high: float | None, unit: str, reading: str = "") -> str:
    """A range of a reading's values in words; an end that is None is open."""
    if low is None and high is None:
        return "any value"
    ends = [None if end is None else amount(end, unit, reading, bound=False) for end in (low, high)]
    if ends[0] is None:
        return f"below {ends[1]}"
    if ends[1] is None:
        over = unit == "ohm" and reading.startswith(RESISTANCE)
        if over and low is not None and low >= OPEN * (1.0 - 1e-9):
            return "OL"
        return f"above {ends[0]}{', or OL' if over else ''}"
    return f"{ends[0]} to {ends[1]}"


_STEPS = {"V": 1e-4, "A": 1e-7, "W": 1e-3}
"""By unit what a bench still tells: a millivolt range, a drop across a resistor, a warm finger."""


def figure_text(value: float, unit: str) -> str:
    """A simulated voltage, current or dissipation at rest with no more than a bench tells of it."""
    step = _STEPS[unit]
    return render(float(f"{round(value / step) * step:.12g}") + 0.0, unit, 3)


def value_and_range(one: Figure, unit: str) -> tuple[str, str]:
    """A figure of the healthy unit and between which values it lies."""
    low, high = figure_text(one.low, unit), figure_text(one.high, unit)
    return figure_text(one.value, unit), low if low == high else f"{low} to {high}"


def heat_and_range(one: Figure | None) -> tuple[str, str]:
    """The same of a dissipation; what nobody could feel in words, None is not known."""
    if one is None:
        return "not known", ""
    return value_and_range(one, "W") if figure_text(one.high, "W") != "0 W" else ("< 1 mW", "")


def limits(line: VerdictLine) -> str:
    """The limit of a published figure, and whose it is."""
    low, high = line.minimum, line.maximum
    if low is not None and high is not None:
        text = f"{amount(low, line.unit)} to {amount(high, line.unit)}"
    elif low is not None:
        text = f"at least {amount(low, line.unit)}"
    else:
        text = "" if high is None else f"at most {amount(high, line.unit)}"
    return f"{text} ({line.standard})" if line.standard else text


def shows_from(hidden: Hidden) -> str:
    """From which size on a fault that hides would show."""
    if hidden.shows_from is None:
        return "does not show in these readings"
    return f"would show from {amount(hidden.shows_from, hidden.unit)} {hidden.quantity} on"


def size(severity: Severity | None) -> str:
    """How bad a fault is, with the range that holds it in nine of ten; empty without degrees."""
    if severity is None:
        return ""
    unit = severity.unit
    low, high = sorted((severity.low, severity.high))
    # a pure number would run into the words before it
    name = severity.quantity if unit else f"{severity.quantity}:"
    return (f"{name} {amount(severity.value, unit)} "
            f"(90 % sure: {amount(low, unit)} to {amount(high, unit)})")


def healthy_text(proposed: NextReading) -> str:
    """What a good unit reads; empty where nothing is known of it."""
    if not proposed.means:
        return ""
    unit = proposed.means[0].unit
    text = "OL" if proposed.healthy is None else amount(proposed.healthy, unit, proposed.reading)
    return f"a good unit reads {text}"


def worth_text(proposed: NextReading) -> str:
    """``separates them well (0.99 bit)``."""
    return f"{worth(proposed.information)} ({proposed.information:.2f} bit)"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def with_a_line(suspects: Sequence[Suspect]) -> Sequence[Suspect]:
    """The members of a group that have a line of their own, by falling probability."""
    return [s for k, s in enumerate(suspects[:MOST_MEMBERS]) if not k or s.probability >= _HARDLY]


def less_probable(suspects: Sequence[Suspect]) -> str:
    """The other members of a group, with their odds against its first; empty for none."""
    first, others = suspects[0].probability, suspects[len(with_a_line(suspects)) :]
    if not others:
        return ""
    told = (f"{s.name} (1 to {render(first / max(s.probability, 1e-12), '', 2)})" for s in others)
    return f"less likely, with odds against the first: {', '.join(told)}"

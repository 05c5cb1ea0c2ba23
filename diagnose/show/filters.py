"""How the page says things: the filters of its templates. The words are those of the commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from diagnose.answer.result import Severity, VerdictLine
from diagnose.answer.verdict import margin_text
from diagnose.show.text_answer import amount, chance
from diagnose.show.text_next import worth_text


def limits(line: VerdictLine) -> str:
    """The limit of a published figure."""
    low, high = line.minimum, line.maximum
    if low is not None and high is not None:
        text = f"{amount(low, line.unit)} to {amount(high, line.unit)}"
    elif low is not None:
        text = f"at least {amount(low, line.unit)}"
    else:
        text = "" if high is None else f"at most {amount(high, line.unit)}"
    return f"{text} ({line.standard})" if line.standard else text


def size(found: Severity | None) -> str:
    """How bad a fault is; empty for one without degrees."""
    if found is None:
        return ""
    low, high = sorted((found.low, found.high))
    return (f"{found.quantity} {amount(found.value, found.unit)} "
            f"(90 % sure: {amount(low, found.unit)} to {amount(high, found.unit)})")  # fmt: skip


def span(low: float | None, high: float | None, unit: str, reading: str = "") -> str:
    """A range of a reading's values in words."""

    def end(value: float) -> str:
        return amount(value, unit, reading, bound=False)

    if low is None and high is None:
        return "any value"
    if low is None:
        return f"below {end(high or 0.0)}"
    if high is None:
        return f"above {end(low)}"
    return f"{end(low)} to {end(high)}"


def bar_length(probability: float) -> str:
    """A probability as a length in a bar of 100, never nothing."""
    return f"{max(100.0 * probability, 0.6):.1f}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


FILTERS: Mapping[str, Callable[..., Any]] = {
    "amount": amount, "margin": margin_text, "chance": chance, "limits": limits, "size": size,
    "span": span, "worth": worth_text,
    "dict_of": dict, "bar_length": bar_length, "sentence": sentence,
}  # fmt: skip

"""What the templates of page and report are given to write with: the words of the commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from diagnose.answer.verdict import margin_text
from diagnose.show.text_log import PROOFS, alike, learnt_words, spreads, took, when
from diagnose.show.wording import (
    amount,
    chance,
    figure_text,
    healthy_text,
    heat_and_range,
    less_probable,
    limits,
    measured_again,
    measured_amount,
    sentence,
    shows_from,
    size,
    span,
    value_and_range,
    why_again,
    with_a_line,
    worth_text,
)


def bar_length(probability: float) -> str:
    """A probability as a length in a bar of 100, never nothing."""
    return f"{max(100.0 * probability, 0.6):.1f}"


FILTERS: Mapping[str, Callable[..., Any]] = {
    "amount": amount, "measured_amount": measured_amount, "margin": margin_text,
    "chance": chance, "limits": limits, "size": size,
    "span": span, "worth": worth_text, "good_unit": healthy_text, "dict_of": dict,
    "bar_length": bar_length,
    "figure": figure_text, "ranged": value_and_range, "heat": heat_and_range,
    "day": when, "took": took, "alike": alike, "learnt": learnt_words, "spreads": spreads,
    "proof": PROOFS.__getitem__,
    "sentence": sentence, "shows_from": shows_from, "with_a_line": with_a_line,
    "less_probable": less_probable, "measured_again": measured_again, "why_again": why_again,
}

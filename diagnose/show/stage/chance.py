"""A probability in words, the same in a drawing as in a list."""

from __future__ import annotations


def chance(probability: float) -> str:
    """A probability as whole per cent; never a false 0 or 100."""
    if probability >= 0.995:
        return "over 99 %"
    if probability < 0.005:
        return "under 1 %"
    return f"{100.0 * probability:.0f} %"

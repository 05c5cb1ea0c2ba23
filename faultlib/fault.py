"""A fault: one part, the way it fails, and how badly."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One part that fails in one way at one size.

    Attributes
    ----------
    part : str
        Name of a part, of a rail, ``pickup``, or a return such as ``earth of C3``.
    mode : str
        A trade word of the mode files: ``open``, ``leakage``, ``capacitance loss``.
    size : float
        In the terms of the mode's own `Size`: a factor to the healthy value, or the quantity
        itself in SI. Without meaning for a mode that has no size.
    """

    part: str
    mode: str
    size: float = 1.0

    def label(self) -> str:
        """The fault as a person would call it: ``C4 capacitance loss``."""
        return f"{self.part} {self.mode}"

"""What readings come to without any simulation: lines of the verdict, and figures that follow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class VerdictLine:
    """One published figure against what was measured, in the unit shown.

    Attributes
    ----------
    measured : float
        In `unit`, as it was read.
    passes : bool
        Whether the value read keeps the limit.
    maximum, minimum : float or None
        In `unit`; None where there is no such limit.
    margin : float
        How far the value lies inside the limit, negative outside, in `margin_unit`: dB for what
        is compared in dB, per cent of the limit for what is compared as a ratio, else the unit.
    certain : bool
        Whether the uncertainty of the reading leaves no doubt on which side it lies.
    channel : str
        Of two channels, the one that was read; empty where there is one.
    standard : str
        The published standard that the limit comes from, where the sheet names one.
    figure : int
        Number of the limit, from 0: one over a band has a line for every reading in it.
    """

    reading: str
    measured: float
    unit: str
    passes: bool
    maximum: float | None = None
    minimum: float | None = None
    margin: float = 0.0
    margin_unit: str = "dB"
    certain: bool = True
    channel: str = ""
    standard: str = ""
    figure: int = 0

    @property
    def result(self) -> str:
        """``met``, ``not met`` or ``uncertain``."""
        if not self.certain:
            return "uncertain"
        return "met" if self.passes else "not met"


@dataclass(frozen=True)
class DerivedLine:
    """A figure that follows from readings by a formula, in the unit shown."""

    name: str
    value: float
    unit: str
    formula: str
    channel: str = ""


@dataclass(frozen=True)
class ExpectedLine:
    """What a good unit is expected to read beside what was measured, in the unit shown.

    Attributes
    ----------
    within : str
        How far a good unit may lie from it, in words: ``10 %``.
    measured : float or None
        None where nothing was.
    bound : str
        ``<`` or ``>`` where only a bound was measured, else empty.
    result : str
        ``as expected``, ``off`` or ``uncertain``; empty where nothing was measured.
    channel : str
        Of two channels, the one that was read; empty where there is one.
    """

    reading: str
    expected: float
    within: str
    unit: str
    measured: float | None = None
    bound: str = ""
    result: str = ""
    channel: str = ""


def expected_json(line: ExpectedLine) -> dict[str, Any]:
    """One entry of ``expected`` in the document of ``diagnose rank --json``."""
    return {
        "reading": line.reading, "expected": line.expected, "within": line.within,
        "unit": line.unit, "measured": line.measured, "result": line.result,
        **{name: word for name, word in (("bound", line.bound), ("channel", line.channel))
           if word},
    }


def verdict_json(line: VerdictLine) -> dict[str, Any]:
    """One entry of ``verdict`` in the document of ``diagnose rank --json``."""
    limits = {"max": line.maximum, "min": line.minimum}
    return {
        "reading": line.reading,
        "measured": line.measured,
        "unit": line.unit,
        **{name: x for name, x in limits.items() if x is not None},
        "passes": line.passes,
        "margin": line.margin,
        "margin unit": line.margin_unit,
        "certain": line.certain,
        "result": line.result,
        **{name: word for name, word in (("channel", line.channel), ("standard", line.standard))
           if word},
    }


def derived_json(line: DerivedLine) -> dict[str, Any]:
    """One entry of ``derived`` in the same document."""
    document: dict[str, Any] = {"name": line.name, "value": line.value, "unit": line.unit,
                            "formula": line.formula}
    if line.channel:
        document["channel"] = line.channel
    return document

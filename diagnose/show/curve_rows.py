"""Readings as a sheet of paper has them: those that differ in frequency alone stand in one row."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from circuits.quantity import render
from circuits.reading import Reading

LEAST = 4
"""Readings that are a row of their own kind; fewer stand one by one."""


@dataclass(frozen=True)
class Row:
    """One reading, or a curve of several; `readings` are by rising frequency then."""

    label: str
    readings: tuple[Reading, ...]

    @property
    def is_curve(self) -> bool:
        """Whether its readings differ in frequency."""
        return len(self.readings) > 1


def rows_of(readings: Iterable[Reading]) -> list[Row]:
    """Rows in the order in which their first readings come."""
    kinds: dict[Reading, list[Reading]] = {}
    order: dict[Reading, Reading] = {}
    for reading in dict.fromkeys(readings):
        kind = replace(reading, frequency=0.0) if reading.frequency else reading
        kinds.setdefault(kind, []).append(reading)
        order[reading] = kind
    rows = []
    for reading, kind in order.items():
        together = kinds[kind]
        if len(together) < LEAST:
            rows.append(Row(reading.label(), (reading,)))
        elif reading is together[0]:
            rows.append(Row(curve_label(kind), tuple(sorted(together, key=lambda r: r.frequency))))
    return rows


def curve_label(kind: Reading) -> str:
    """What a curve is of: ``response, relative to 1 kHz``."""
    if kind.reference:
        return f"{kind.quantity}, relative to {render(kind.reference, 'Hz')}"
    return replace(kind, frequency=0.0).label()

"""The picture of a coverage: part by part, what is shown and what is told apart."""

from __future__ import annotations

from diagnose.show.figure import Axis, Figure, Panel, Series
from diagnose.studies.fault_coverage import Coverage, Covered

ROWS = 14
"""Parts in one panel."""


def coverage_figure(made: Coverage) -> Figure:
    """Describe a coverage as a picture."""
    parts: dict[str, list[Covered]] = {}
    for fault in made.faults:
        parts.setdefault(fault.part, []).append(fault)
    names = list(parts)
    panels = [_panel(names[k : k + ROWS], parts) for k in range(0, len(names), ROWS)]
    note = (f"These {len(made.readings)} readings detect {100.0 * made.detected:.0f} % of likely "
            f"faults, and pin {100.0 * made.isolated:.0f} % down to the part.")
    return Figure(f"{made.stage}: what the readings find", tuple(panels), note)


def _panel(names: list[str], parts: dict[str, list[Covered]]) -> Panel:
    # the first part on top
    rows = [float(len(names) - k) for k in range(len(names))]

    def of(which: str) -> tuple[float, ...]:
        curves = []
        for name in names:
            whole = sum(f.weight for f in parts[name])
            hit = sum(f.weight for f in parts[name]
                      if (f.detected if which == "detected" else f.isolated))
            curves.append(hit / whole if whole > 0.0 else 0.0)
        return tuple(curves)

    words = tuple(zip(rows, names, strict=True))
    return Panel(
        f"{names[0]} to {names[-1]}" if len(names) > 1 else names[0],
        Axis("share of the part's faults, by how often they are met", "%"),
        Axis("", words=words),
        (
            Series("detected", of("detected"), tuple(rows), joined=False),
            Series("pinned down to the part", of("isolated"), tuple(rows), joined=False),
        ),
    )

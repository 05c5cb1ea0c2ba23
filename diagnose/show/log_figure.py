"""The picture of a shop's log: what fails, and how often the first answer was right."""

from __future__ import annotations

from diagnose.log.statistics import Statistics
from diagnose.show.figure import Axis, Band, Figure, Panel, Series

_MOST = 10
"""Modes that are drawn."""


def log_figure(made: Statistics) -> Figure:
    """What fails by rank, and the share of right answers as the log grew, with its interval."""
    panels: list[Panel] = []
    shown = made.fails[:_MOST]
    if shown:
        panels.append(Panel(
            title="What fails: confirmed repairs",
            x=Axis("repairs"),
            y=Axis("", words=tuple((float(-k), f"{f.kind}: {f.mode}")
                                   for k, f in enumerate(shown))),
            # a comb: from nothing out to each number and back
            series=(Series("repairs", tuple(x for f in shown for x in (0.0, float(f.number), 0.0)),
                           tuple(float(-k) for k in range(len(shown)) for _ in range(3))),),
        ))
    if made.along:
        x = tuple(float(n) for n, _ in made.along)
        panels.append(Panel(
            title="First answer right, as the log grew",
            x=Axis("proved jobs", ""), y=Axis("first answer right", "%"),
            series=(Series("so far", x, tuple(s.share for _, s in made.along)),),
            bands=(Band("luck (95 %)", x, tuple(s.low for _, s in made.along),
                        tuple(s.high for _, s in made.along)),),
        ))
    return Figure("What the log of this shop says", tuple(panels),
                  f"{made.jobs} jobs closed, {made.confirmed} with a proved fault.")

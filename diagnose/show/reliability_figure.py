"""The picture of a score: how often answers of like probability are right."""

from __future__ import annotations

from diagnose.show.figure import Axis, Figure, Panel, Series
from diagnose.studies.reliability import Report


def reliability_figure(made: Report) -> Figure:
    """Share of right answers against their probability."""
    said = tuple(b.probability for b in made.bins)
    came = tuple(b.right for b in made.bins)
    panel = Panel(
        title=f"{made.stage}: {made.benches} random units",
        x=Axis("probability said", "%"),
        y=Axis("first answer right", "%"),
        series=(Series("as said", (0.0, 1.0), (0.0, 1.0)), Series("as it came", said, came)),
    )
    return Figure(title="How often answers of like probability are right", panels=(panel,))

"""The picture of a shop's log, read as data and drawn by either way."""

from __future__ import annotations

from pathlib import Path

from diagnose.log.entry import Found
from diagnose.log.statistics import statistics
from diagnose.show.embedded import charts
from diagnose.show.figure import draw
from diagnose.show.log_figure import log_figure
from diagnose.show.text_log import statistics_text
from tests.diagnose.log.jobs import job


def test_every_bar_is_as_long_as_there_were_repairs(tmp_path: Path) -> None:
    two = (Found("Q1", "npn", "short"),)
    made = statistics([*(job(n) for n in range(5)), job(7, faults=two), job(8, faults=two)])
    figure = log_figure(made)
    fails, right = figure.panels
    assert [word for _, word in fails.y.words] == ["electrolytic: open", "npn: short"]
    (bars,) = fails.series
    ends = {y: max(x for x, z in zip(bars.x, bars.y, strict=True) if z == y) for y in bars.y}
    assert [ends[place] for place, _ in fails.y.words] == [5.0, 2.0]
    assert right.series[0].y[-1] == 5 / 7
    assert right.bands[0].low[-1] < 5 / 7 < right.bands[0].high[-1]
    draw(figure, tmp_path / "shop.png")
    drawn = charts(figure, 500.0)
    for words in ("electrolytic: open", "npn: short", "First answer right"):
        assert words in drawn


def test_a_shop_without_jobs_has_no_picture_and_says_so() -> None:
    made = statistics([])
    assert log_figure(made).panels == ()
    assert statistics_text(made).startswith("0 jobs closed")

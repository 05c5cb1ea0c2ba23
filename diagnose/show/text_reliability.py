"""The report of the score harness as text."""

from __future__ import annotations

from diagnose.show.text_page import DIM, STRONG, WIDTH, Page
from diagnose.show.wording import chance
from diagnose.studies.reliability import Report, Share


def score_text(made: Report, width: int = WIDTH, colour: bool = False) -> str:
    """The tables of ``diagnose score``."""
    page = Page(width, colour)
    page.line(f"{made.benches} random units of stage {made.stage}", STRONG)
    page.line(f"{made.detectable} of them have a fault that shows: readings that fewer than 1 of "
              "100 good units would give.", DIM)
    page.line()
    page.table(("of detectable faults", "share", "of"), [
        _row("part named first", made.part_first),
        _row("part among the first three", made.part_third),
        _row("fault in the first group of causes", made.group_first),
        _row("size inside the range said with 90 %", made.intervals),
        _row("fault left out of the library: noticed, or its equal", made.removed),
        _row("good units called good", made.healthy),
    ])
    page.line()
    page.line(f"Over all units the first answer is given {made.mean_first:.2f} on average and is "
              f"right in {made.right:.2f}; calibration error {made.calibration:.3f}, of which so "
              f"few units show about {made.luck:.3f} by luck even where every probability is "
              "honest.")
    page.line()
    page.table(("probability said", "first answer right", "units"), [
        (chance(b.probability), chance(b.right), str(b.count)) for b in made.bins
    ])
    if made.confusions:
        page.heading("Taken for another")
        page.table(("the fault", "taken for", "times"),
                   [(truth, answer, str(n)) for truth, answer, n in made.confusions])
    return page.text()


def _row(name: str, share: Share) -> tuple[str, str, str]:
    return name, "-" if share.value is None else f"{share.value:.2f}", str(share.count)

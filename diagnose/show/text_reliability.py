"""The report of the score harness as text."""

from __future__ import annotations

from diagnose.show.text_answer import chance
from diagnose.show.text_page import DIM, STRONG, WIDTH, Page
from diagnose.studies.reliability import Report, Share


def score_text(made: Report, width: int = WIDTH, colour: bool = False) -> str:
    """The tables of ``diagnose score``."""
    page = Page(width, colour)
    page.line(f"{made.benches} random benches of stage {made.stage}", STRONG)
    page.line(f"{made.detectable} of them have a fault that shows: readings that fewer than 1 of "
              "100 good units would give.", DIM)
    page.line()
    page.table(("of detectable faults", "share", "of"), [
        _row("part named first", made.part_first),
        _row("part among the first three", made.part_third),
        _row("fault in the first group", made.group_first),
        _row("size inside its 90 % interval", made.intervals),
        _row("mode taken out: unmodelled, or its equal", made.removed),
        _row("healthy benches called healthy", made.healthy),
    ])
    page.line()
    page.line(f"Over all benches the largest probability is {made.mean_first:.2f} on average and "
              f"the first answer right in {made.right:.2f}; expected calibration error "
              f"{made.calibration:.3f}, of which so few benches show about {made.luck:.3f} by luck "
              "even where every probability is honest.")
    page.line()
    page.table(("largest probability", "first answer right", "benches"), [
        (chance(b.probability), chance(b.right), str(b.count)) for b in made.bins
    ])
    if made.confusions:
        page.heading("Taken for another")
        page.table(("truth", "answer", "times"),
                   [(truth, answer, str(n)) for truth, answer, n in made.confusions])
    return page.text()


def _row(name: str, share: Share) -> tuple[str, str, str]:
    return name, "-" if share.value is None else f"{share.value:.2f}", str(share.count)

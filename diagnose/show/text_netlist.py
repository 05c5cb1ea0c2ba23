"""What became of a netlist, as text: guesses with their questions, doubts, what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from circuits.prompt import counted
from circuits.spice.deck import Left
from circuits.spice.guess import Guess
from circuits.spice.importing import Imported
from diagnose.show.text_page import BAD, DIM, STRONG, WIDTH, Page


def netlist_text(made: Imported, source: Path, width: int = WIDTH, colour: bool = False) -> str:
    """The text below which a stage file is written.

    Parameters
    ----------
    source : Path
        Of the netlist.
    """
    page = Page(width, colour)
    stage = made.stage
    page.line(f"{source}: {counted(len(stage.parts), 'part')}, "
              f"{counted(len(stage.rails), 'rail')}, from {stage.input} to {stage.output}", STRONG)
    if made.asked:
        page.heading("Read as SPICE does; was it meant so?", BAD)
        page.table(
            ("part", "written", "read as", "or", "why"),
            [((a.part, STRONG), a.written, a.read, f"{a.meant}?" if a.meant else "?",
              f"{a.why} (line {a.place.line})") for a in made.asked],
            whole=(0, 1, 2, 3),
        )
    if made.guesses:
        page.heading(f"Guessed ({len(made.guesses)}): set it right in the file, and take it off "
                     "its list under guessed")
        page.table(
            ("of", "what", "guess", "because", "question"),
            [((of, STRONG), g.word, g.value, g.why, question)
             for of, question, g in _together(made.guesses)],
        )
    if made.left:
        page.heading("Left out")
        page.table((), [(_row(one)) for one in made.left])
    if made.renamed:
        page.heading("Nodes that a stage file calls otherwise")
        page.table((), [(a, f"is {b}") for a, b in made.renamed])
    if not (made.guesses or made.asked or made.left):
        page.line("Nothing had to be guessed.", DIM)
    return page.text()


def _together(guesses: Sequence[Guess]) -> list[tuple[str, str, Guess]]:
    """Guesses with those that are alike as one: the parts, the question, and the first of them."""
    alike: dict[tuple[str, ...], list[Guess]] = {}
    for guess in guesses:
        asked = guess.question.replace(guess.of, "each")
        alike.setdefault((guess.word, guess.value, guess.why, asked), []).append(guess)
    return [
        (", ".join(g.of for g in same), key[3] if len(same) > 1 else same[0].question, same[0])
        for key, same in alike.items()
    ]


def _row(left: Left) -> Sequence[str]:
    where = f" (line {left.place.line})" if left.place.line else ""
    return left.what, f"{left.why}{where}"

"""A signal that was written, as text."""

from __future__ import annotations

from circuits.cautions import HEADING
from circuits.quantity import render
from diagnose.show.text_page import DIM, STRONG, WIDTH, Page
from diagnose.stimulus.writing import Written

_CHANNELS = {
    "mono": "one channel", "left": "left channel driven, right silent",
    "right": "right channel driven, left silent", "both": "both channels alike",
}
"""How the channels of a signal are told of."""


def signal_text(made: Written, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose signal``.

    Parameters
    ----------
    width : int
        Columns.
    colour : bool
        Whether escape codes for weight and colour are written.

    Returns
    -------
    str
        Ends with a newline.
    """
    page = Page(width, colour)
    signal, plan = made.signal, made.plan
    page.line(f"{made.path} written", STRONG)
    form = f"{made.bits} bit" if made.bits != "float" else "floating point"
    page.line(f"{signal.kind}; {plan.seconds:.4g} s, {render(made.rate, 'Hz')}, {form}, "
              f"{_CHANNELS[signal.channels]}", DIM)
    page.line()
    rows = []
    if signal.kind != "silence":
        level = f"{signal.played_level:.4g} dBFS"
        if made.volts is not None:
            level = f"{render(made.volts, 'V')}, {level}"
        rows.append(("level", level))
    if signal.tones:
        rows.append(("frequency", ", ".join(render(f, "Hz") for f in signal.tones)))
    rows.append(("signal", f"{plan.lead + plan.begin:.4g} s to {plan.lead + plan.end:.4g} s"))
    if signal.pilots:
        rows.append(("pilots", f"at {plan.lead:.4g} s and {plan.lead + plan.apart:.4g} s"))
    page.table((), rows)
    if made.cautions:
        page.heading(HEADING)
        page.bullets(one.text for one in made.cautions)
    if made.notes:
        page.heading("Notes")
        page.bullets(made.notes)
    return page.text()

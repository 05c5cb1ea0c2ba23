"""A blank bench sheet: the readings to take, each with an empty value, as YAML to fill in."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from decimal import Decimal

from circuits.quantity import parse, render
from circuits.reading import Reading
from circuits.stage import Stage

_UNITS = {"frequency": "Hz", "reference": "Hz", "load": "ohm", "thd": "%"}
_LEVEL_UNITS = {"power": "W", "output level": "V", "input level": "V"}
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]*( [A-Za-z0-9_.+-]+)*")


def blank_sheet(
    stage: Stage, readings: Sequence[tuple[Reading, str]], reference: str = ""
) -> str:
    """The text of a case file without values.

    Parameters
    ----------
    stage : Stage
    readings : sequence of (reading, comment)
        In the order they stand on the sheet; a comment says how to take the reading.
    reference : str
        What the case writes under ``stage``: by default the stage's name.

    Returns
    -------
    str
        YAML that `diagnose.case.load_case` reads, as it is and filled in.
    """
    lines = [
        "# Fill in what was measured; what is left empty is passed over.",
        "# A value has its unit, such as 1.39 V, 35.4 dB or 0.24 %. A reading that vanishes below",
        '# what the meter sees is written value: "< -90 dB".',
        f"case: {_quoted(stage.title or stage.name)}",
        f"stage: {_word(reference or stage.name)}",
        "",
        "# Where the schematic of this unit differs: values: {C3: 12n, R8: 270k}",
        "values: {}",
        f"mains: {_exact(stage.mains, 'Hz')}",
        "",
        "readings:",
    ]
    if stage.cautions:
        lines[0:0] = ["# Mind:", *(f"#   {_one_line(text)}" for text in stage.cautions), "#"]
    entries = [f"  - {entry_line(reading)}" for reading, _ in readings]
    for entry, (_, comment) in zip(entries, readings, strict=True):
        note = _one_line(comment)
        lines.append(f"{entry}  # {note}" if note else entry)
    lines += [
        "",
        "# Published figures in the same words, with max, min or within in place of the value:",
        "limits: []",
        "",
        "# Parts that were tested or changed, such as",
        "# - {part: C4, found: good, how: capacitance and ESR}   (or bad, replaced, cleaned, …)",
        "checks: []",
        "",
        "# What was noticed: intermittent, worse when warm, worse with level, after a knock,",
        "# both channels",
        "observations: []",
    ]
    return "\n".join(lines) + "\n"


def entry_line(reading: Reading) -> str:
    """A reading as a mapping of the sheet, its value left empty at the end."""
    words = [f"quantity: {reading.quantity}"]
    for key, name in (("from", reading.origin), ("at", reading.at), ("rail", reading.rail)):
        if name:
            words.append(f"{key}: {_word(name)}")
    if reading.between:
        words.append("between: [" + ", ".join(_word(name) for name in reading.between) + "]")
    if reading.order:
        words.append(f"order: {reading.order}")
    for key, unit in _UNITS.items():
        if getattr(reading, key):
            words.append(f"{key}: {_exact(getattr(reading, key), unit)}")
    if reading.level is not None:
        kind, value = reading.level
        words.append(f"{kind}: {_exact(value, _LEVEL_UNITS[kind])}")
    for key, ends in (("band", reading.band), ("tones", reading.tones)):
        if any(ends):
            words.append(f"{key}: [" + ", ".join(_exact(end, "Hz") for end in ends) + "]")
    if reading.ratio:
        words.append(f"ratio: {_exact(reading.ratio, '')}")
    if reading.weighting:
        words.append(f"weighting: {reading.weighting}")
    return "{" + ", ".join([*words, "value: "]) + "}"


def _exact(value: float, unit: str) -> str:
    """The shortest text that is read back as exactly this value."""
    for digits in range(3, 18):
        text = render(value, unit, digits).replace("Ω", "ohm")
        if parse(text, unit) == value:
            return text
    # shifting the decimal point keeps every digit, which multiplying by 100 would not
    return str(Decimal(repr(value)).scaleb(2 if unit == "%" else 0))


def _word(text: str) -> str:
    return text if _PLAIN.fullmatch(text) and text != "0" else _quoted(text)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _one_line(text: str) -> str:
    return " ".join(text.split())

"""A blank bench sheet: the readings to take, each with an empty value, as YAML to fill in."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from textwrap import wrap
from typing import Any

from circuits.cautions import HEADING, caution_texts, marked
from circuits.conditions import CONDITIONS, written
from circuits.hazards import Hazards, hazards
from circuits.kinds import kind
from circuits.quantity import exact
from circuits.reading import VOLTMETER, Reading
from circuits.stage import Stage
from circuits.state_words import pins
from diagnose.sheet.record import FIELDS
from diagnose.sheet.sections import SECTIONS, Section
from faultlib.mode import FORTY

_WIDTH = 100
"""Columns that cautions are wrapped to."""
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]*( [A-Za-z0-9_.+-]+)*")


_SCHEMATIC = "# Where the schematic is not at hand and values are not known: schematic: not at hand"
"""What a sheet may say of its stage."""
_PROBE = (
    "# The probe of a.c. readings at points inside; by itself times ten for signals and direct,\n"
    "# that is 1 Mohm and 100 pF, for hum, ripple and noise: probe: 10 Mohm 12 pF"
)
_OTHERS = "# Where the rails feed nothing else, no bleeder and no other stage: other loads: none"
"""What a sheet may say of its rails."""


def blank_sheet(
    stage: Stage, readings: Sequence[tuple[Reading, str]], reference: str = ""
) -> str:
    """The text of a case file without values.

    Parameters
    ----------
    readings : sequence of (reading, comment)
        In the order they stand on the sheet; a comment says how to take the reading.
    reference : str
        What the case writes under ``stage``: by default the stage's name.

    Returns
    -------
    str
        YAML that `diagnose.sheet.case.load_case` reads, as it is and filled in.
    """
    lines = [
        "# Fill in what was measured; what is left empty is passed over.",
        "# Write the unit with the value, such as 1.39 V, 35.4 dB or 0.24 %, and all digits that",
        "# the meter shows: 1.4 V is less sure than 1.400 V. Where it shows nothing, write the",
        '# least that it would show, as in value: "< -90 dB"; of a resistance above its range, OL.',
        f"case: {_quoted(stage.title or stage.name)}",
        f"stage: {_word(reference or stage.name)}",
        "",
        "# Part values that differ on this unit's schematic, such as: values: {C3: 12n, R8: 270k}",
        "values: {}",
        _SCHEMATIC,
        *_devices(stage),
        f"mains: {exact(stage.mains, 'Hz')}",
        f"age: {FORTY:g}  # years, for what wears out",
        "# The voltmeter of all d.c. readings; of an analogue one, such as 20 kohm/V, write its",
        "# range beside each reading, as in range: 10 V",
        f"meter: {exact(VOLTMETER, 'ohm')}",
        _PROBE,
        *([_OTHERS] if stage.rails else []),
        *_states(stage),
        "",
        "readings:",
    ]
    lines[0:0] = [*mind(stage), "#"] if mind(stage) else []
    about = hazards(stage)
    entries = [f"  - {entry_line(reading)}" for reading, _ in readings]
    for entry, (reading, comment) in zip(entries, readings, strict=True):
        note = noted(about, reading, comment)
        lines.append(f"{entry}  # {note}" if note else entry)
    lines += [
        "",
        "# What the service manual or the schematic says that a good unit reads, in the same",
        "# words, with the meter of the manual; or beside a reading, as in expected: 14 V ±10 %",
        *(f"#   - {line}" for line in expected_lines([reading for reading, _ in readings])),
        "expected: []",
        "",
        "# Published figures to check against, in the same words: max, min or within in place of",
        "# the value, a band in place of the frequency if need be; or the name of a standard:",
        *(f"#   - {line}" for line in limit_lines([reading for reading, _ in readings])),
        "limits: []",
        "",
        *(line for section in SECTIONS.values() for line in _rows(section, stage)),
        "# What was noticed: intermittent, worse when warm, worse with level, after a knock,",
        "# both channels. Such as: [intermittent, worse when warm]",
        "observations: []",
        "",
        "# What the report has at its head: customer's words, unit, serial number, parts fitted.",
        f"# Such as: record: {{{', '.join(f.word + ': …' for f in FIELDS)}, parts: […]}}",
        "record: {}",
        "",
        "# Two channels: move the readings below these words in place of the ones above:",
        "# channels: {left: {readings: […]}, right: {readings: […]}}",
        "# suspect: right",
    ]
    return "\n".join(lines) + "\n"


def _devices(stage: Stage) -> list[str]:
    """What a sheet may say of the unit's transistors."""
    names = [p.name for p in stage.parts if kind(p.kind).family == "bipolar"]
    if not names:
        return []
    pair = f", {names[1]}: {{matched with: {names[0]}}}" if len(names) > 1 else ""
    return ["# Transistors that were measured or chosen in pairs; or models of your own:",
            f"# devices: {{{names[0]}: {{current gain: 320}}{pair}}}",
            f"# devices: {{library: my-models.lib, {names[0]}: {{model: mine}}}}"]


def _states(stage: Stage) -> list[str]:
    """What a sheet may say of the state that the unit was in."""
    capacitor = next((p for p in stage.parts if kind(p.kind).family == "capacitor"), None)
    lifted = f"lifted: [{capacitor.name}.{pins(capacitor)[0]}], " if capacitor else ""
    part = next((p.name for p in stage.parts if p is not capacitor), "")
    return [
        "# What was not as drawn while all was read, such as the loudspeaker off: load: open",
        f"# or while one thing was, beside its reading: state: {{{lifted}pulled: [{part}]}}",
        "# (load, input, lifted, pulled, bridged, bypassed, mains, lamp, supply: "
        "{limited to: 200 mA})",
    ]


def mind(stage: Stage) -> list[str]:
    """What to mind, as lines that a sheet passes over; none where there is nothing."""
    lines = [line for text in caution_texts(stage)
             for line in wrap(text, _WIDTH, initial_indent="# - ", subsequent_indent="#   ")]
    return [f"# {HEADING}:", *lines] if lines else []


def noted(about: Hazards, reading: Reading, comment: str) -> str:
    """What stands beside a reading: whether it is live, then how to take it, in one line."""
    return ": ".join(filter(None, (marked(about, reading), _one_line(comment))))


def entry_line(reading: Reading) -> str:
    """A reading as a mapping of the sheet, its value left empty at the end."""
    words = [f"quantity: {reading.quantity}"]
    for key, ends in written(reading):
        texts = [_word(text) if CONDITIONS[key].names else text for text in ends]
        words.append(f"{key}: " + ("[" + ", ".join(texts) + "]" if len(texts) > 1 else texts[0]))
    return "{" + ", ".join([*words, "value: "]) + "}"


def limit_lines(readings: Sequence[Reading]) -> list[str]:
    """Examples of published figures in the words of a sheet, for the readings on it."""
    there = {reading.quantity for reading in readings}
    said = {
        "riaa deviation": "{quantity: riaa deviation, band: 20 Hz to 20 kHz, within: 1 dB}",
        "response": "{quantity: response, band: 20 Hz to 20 kHz, within: 1 dB}",
        "hum": "{quantity: hum, frequency: 100 Hz, max: 1 mV}",
        "damping factor": "{quantity: damping factor, frequency: 1 kHz, min: 20}",
    }
    told = [text for name, text in said.items() if name in there]
    for name, figure in (("ripple", "5 mV"), ("thd", "0.5 %")):
        lines = [entry_line(r) for r in readings if r.quantity == name]
        told += [f"{text.removesuffix('value: }')}max: {figure}}}" for text in lines[-1:]]
    return [*told, "{standard: DIN 45500 amplifier}"] if "damping factor" in there else told


def expected_lines(readings: Sequence[Reading]) -> list[str]:
    """Examples of expected figures in the words of a sheet, for the readings on it."""
    made = []
    for name, figure in (("dc voltage", "14 V, meter: 200 kohm, within: 10 %"), ("gain", "35 dB")):
        lines = [entry_line(r) for r in readings if r.quantity == name]
        made += [f"{text.removesuffix('value: }')}value: {figure}}}" for text in lines[:1]]
    return made


def _rows(section: Section[Any], stage: Stage) -> list[str]:
    """An empty section, with an example of a row above it."""
    row = section.example(_some_part(stage))
    example = ", ".join(f"{word}: {_word(text)}" for word, text in row.items())
    return [f"# {section.says}", f"#   - {{{example}}}", f"{section.name}: []", ""]


def _some_part(stage: Stage) -> str:
    """A capacitor of the stage, or whatever part it has first."""
    return next((p.name for p in stage.parts if p.kind == "electrolytic"), stage.parts[0].name)


def _word(text: str) -> str:
    return text if _PLAIN.fullmatch(text) and text != "0" else _quoted(text)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _one_line(text: str) -> str:
    return " ".join(text.split())

"""The formats as Hypothesis makes them: of their own words, in an order that chance finds.

Unlike harmed files these have no right file behind them, so they find other things: keys that do
not go together, values of each other's kinds, lists where one stands.
"""

from __future__ import annotations

import json
import struct
from typing import Any

from hypothesis import strategies as st

from circuits.conditions import CONDITIONS
from circuits.kinds import kinds
from circuits.load import stage_names
from circuits.quantities import QUANTITIES
from diagnose.sheet.case import OBSERVATIONS
from diagnose.sheet.sections import DONE, FOUND

NODES = st.sampled_from(
    ["in", "out", "0", "a", "b", "c1", "e1", "b1", "vcc", "gnd", "", "a b", "out'"]
)
NAMES = st.sampled_from(["R1", "C1", "Q1", "U1", "J1", "D1", "R_1", "r1", "1R", "Rµ", "C1 a"])
NUMBERS = st.one_of(
    st.sampled_from(
        ["0", "-1", "1e9", "1e-15", "4k7", "10u", "1,5", "nan", "inf", "OL", "< 3", "> 1"]
    ),
    st.floats(allow_nan=False).map(repr),
    st.integers().map(str),
)
PREFIXES = ["", "f", "p", "n", "u", "µ", "m", "k", "K", "M", "meg", "Meg", "G", "T", "da", "°"]
UNITS = [
    "",
    "V",
    "A",
    "ohm",
    "Ω",
    "F",
    "H",
    "Hz",
    "dB",
    "dBV",
    "dBu",
    "W",
    "%",
    "deg",
    "s",
    "x",
    "V/us",
]
ASKED = ["", "V", "A", "ohm", "F", "H", "Hz", "dB", "W", "%", "deg", "s"]
"""Units that the program itself asks a quantity in."""
ODD = st.text(max_size=8)


def quantities() -> st.SearchStrategy[str]:
    """A value with its unit, as people write it and as they do not."""
    written = st.tuples(
        NUMBERS,
        st.sampled_from(["", " ", "  "]),
        st.sampled_from(PREFIXES),
        st.sampled_from(UNITS),
        st.sampled_from(["", "", "", " ±5 %", " RMS", "pp"]),
    )
    return st.one_of(written.map("".join), ODD)


def _some(words: dict[str, st.SearchStrategy[Any]]) -> st.SearchStrategy[dict[str, Any]]:
    """A mapping with some of the keys."""
    return st.fixed_dictionaries({}, optional=words)


def _wrong(right: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Mostly right, and now and then of another shape."""
    odd = st.one_of(
        ODD, st.none(), st.lists(ODD, max_size=2), st.dictionaries(ODD, ODD, max_size=1)
    )
    return st.integers(0, 11).flatmap(lambda k: odd if k == 0 else right)


def readings() -> st.SearchStrategy[Any]:
    """One row of a sheet."""
    conditions: dict[str, st.SearchStrategy[Any]] = {
        word: _wrong(st.one_of(quantities(), NODES, st.lists(NODES, min_size=2, max_size=2)))
        for word in CONDITIONS
    }
    near: dict[str, st.SearchStrategy[Any]] = {
        "value": _wrong(quantities()),
        "uncertainty": quantities(),
        "expected": quantities(),
        "points": st.dictionaries(quantities(), quantities(), max_size=3),
        "file": ODD,
    }
    return st.tuples(
        st.sampled_from([*QUANTITIES]),
        _some(near),
        st.lists(st.sampled_from([*conditions]), max_size=3).flatmap(
            lambda words: st.fixed_dictionaries({w: conditions[w] for w in words})
        ),
    ).map(lambda row: {"quantity": row[0], **row[1], **row[2]})


def sheets() -> st.SearchStrategy[str]:
    """The text of a sheet."""
    part = st.sampled_from(["R1", "C1", "Q1", "U1", "C9"])
    keys: dict[str, st.SearchStrategy[Any]] = {
        "case": ODD,
        "values": st.dictionaries(part, quantities(), max_size=2),
        "mains": quantities(),
        "readings": _wrong(st.lists(_wrong(readings()), max_size=4)),
        "limits": st.lists(readings().map(lambda row: {**row, "max": "1 V"}), max_size=2),
        "checks": st.lists(
            st.fixed_dictionaries({"part": part, "found": st.sampled_from(FOUND)}), max_size=2
        ),
        "observations": _wrong(st.lists(st.sampled_from(OBSERVATIONS), max_size=2)),
        "repaired": _wrong(st.fixed_dictionaries({"part": part, "how": st.sampled_from(DONE)})),
        "age": quantities(),
        "load": quantities(),
        "meter": quantities(),
        "devices": ODD,
    }
    stage = st.sampled_from(["phono-opamp", "line-two-transistor", *stage_names()])
    return st.tuples(stage, _some(keys)).map(lambda two: _yaml({"stage": two[0], **two[1]}))


def stages() -> st.SearchStrategy[str]:
    """The text of a stage file."""
    keys: dict[str, st.SearchStrategy[Any]] = {
        "value": quantities(),
        "tolerance": quantities(),
        "role": ODD,
        "esr": quantities(),
        "model": _wrong(
            st.dictionaries(
                st.sampled_from(["BF", "IS", "gain", "VTO", "x"]), quantities(), max_size=2
            )
        ),
        "position": quantities(),
        "rating": quantities(),
    }
    part = st.tuples(
        st.sampled_from([*kinds()]), st.lists(NODES, min_size=2, max_size=5), _some(keys)
    ).map(lambda three: {"kind": three[0], "nodes": three[1], **three[2]})
    whole: dict[str, st.SearchStrategy[Any]] = {
        "rails": _wrong(
            st.dictionaries(
                st.sampled_from(["vcc", "vee"]),
                _some({"volts": quantities(), "ripple": quantities(), "resistance": quantities()}),
            )
        ),
        "title": ODD,
        "mains": quantities(),
        "load": quantities(),
        "source impedance": quantities(),
        "signal": st.dictionaries(ODD, quantities(), max_size=1),
        "shared": st.lists(NAMES, max_size=1),
        "test points": st.dictionaries(NODES, ODD, max_size=2),
        "cautions": st.lists(ODD, max_size=1),
    }
    return st.tuples(
        st.dictionaries(NAMES, _wrong(part), min_size=1, max_size=5), _some(whole)
    ).map(
        lambda two: _yaml(
            {"stage": "made", "ports": {"input": "in", "output": "out"}, "parts": two[0], **two[1]}
        )
    )


def tables() -> st.SearchStrategy[str]:
    """A sheet as a table."""
    heads = [
        "quantity",
        "at",
        "rail",
        "frequency",
        "reference",
        "level",
        "value",
        "unit",
        "max",
        "remark",
        "channel",
        "expected",
        "between",
        "x",
    ]
    cell = st.one_of(
        st.sampled_from(["gain", "dc voltage", "hum", "vcc", "out", "1 kHz", ""]),
        quantities().map(lambda word: word.replace(",", ";")),
    )

    def rows(columns: list[str]) -> st.SearchStrategy[str]:
        row = st.lists(cell, min_size=len(columns), max_size=len(columns)).map(",".join)
        first = ["stage,phono-opamp", ",".join(columns)]
        return st.lists(row, max_size=4).map(lambda found: "\n".join([*first, *found, ""]))

    return st.lists(st.sampled_from(heads), min_size=2, max_size=7, unique=True).flatmap(rows)


def sweeps() -> st.SearchStrategy[str]:
    """Columns against frequency."""
    head = st.sampled_from(["Frequency (Hz);Deviation (dB)", "f,Gain (dB)", "Hz\tdB", "", "a b c"])
    row = st.tuples(NUMBERS, st.sampled_from([";", ",", "\t", " "]), NUMBERS).map("".join)
    return st.tuples(head, st.lists(row, max_size=6)).map(
        lambda two: "\n".join([two[0], *two[1], ""])
    )


def netlists() -> st.SearchStrategy[str]:
    """Statements of a netlist."""
    value = st.one_of(
        quantities().map(lambda word: word.replace(" ", "")),
        st.sampled_from(["{1k*2}", "{a}", "DC 5 AC 1", "poly(1) in 0 1", "'1k'", "1k tc=1"]),
    )
    element = st.tuples(
        st.sampled_from("RCLDQJMVIEFGHBXKSTW"),
        st.integers(0, 3),
        st.lists(NODES.map(lambda n: n.replace(" ", "") or "0"), min_size=2, max_size=5),
        value,
    ).map(lambda e: f"{e[0]}{e[1]} {' '.join(e[2])} {e[3]}")
    command = st.sampled_from(
        [
            ".model q npn(bf=100)",
            ".subckt s a b",
            ".ends",
            ".param a=1",
            "+ x",
            "* remark",
            ".end",
            ".lib x",
            ".include x",
            ".control",
            ".func f(x) {x}",
        ]
    )
    return st.lists(st.one_of(element, element, command), min_size=1, max_size=8).map(
        lambda lines: "\n".join(["made", "V1 in 0 AC 1", "R9 out 0 1k", *lines, ""])
    )


def mode_files() -> st.SearchStrategy[str]:
    """How a kind of part fails."""
    share = _some({"weight": NUMBERS, "of": ODD, "source": ODD, "age": NUMBERS, "why": ODD})
    size = _some(
        {
            "quantity": ODD,
            "unit": st.sampled_from(UNITS),
            "from": quantities(),
            "to": quantities(),
            "times": ODD,
            "plus": ODD,
        }
    )
    change = st.lists(
        st.dictionaries(
            st.sampled_from(["set", "scale", "add", "shunt", "open", "x"]),
            st.dictionaries(ODD, quantities(), max_size=2),
            max_size=1,
        ),
        max_size=2,
    )
    mode = _some(
        {
            "share": _wrong(share),
            "size": _wrong(size),
            "change": _wrong(change),
            "finds": st.dictionaries(ODD, NUMBERS, max_size=1),
        }
    )
    kind = _some(
        {
            "rate": _wrong(_some({"failures": NUMBERS, "source": ODD, "age": NUMBERS})),
            "like": ODD,
            "modes": _wrong(st.dictionaries(ODD, _wrong(mode), max_size=2)),
            "published": _wrong(share),
            "omitted": ODD,
            "by model": ODD,
        }
    )
    return st.dictionaries(
        st.sampled_from(["film", "npn", "rail", "x"]), _wrong(kind), min_size=1, max_size=2
    ).map(_yaml)


def recordings() -> st.SearchStrategy[bytes]:
    """A WAV file: a header of any numbers, and samples."""

    def made(form: int, channels: int, rate: int, bits: int, lie: int, samples: bytes) -> bytes:
        size = len(samples) + lie
        head = struct.pack(
            "<HHIIHH",
            form,
            channels,
            rate,
            rate * channels * bits // 8 & 0xFFFFFFFF,
            channels * bits // 8 & 0xFFFF,
            bits,
        )
        body = (
            b"WAVEfmt "
            + struct.pack("<I", 16)
            + head
            + b"data"
            + struct.pack("<I", size & 0xFFFFFFFF)
        )
        return b"RIFF" + struct.pack("<I", len(body) + size & 0xFFFFFFFF) + body + samples

    wave = st.binary(min_size=1, max_size=24).map(lambda one: one * (9000 // len(one)))
    return st.builds(
        made,
        st.sampled_from([1, 3, 0xFFFE, 0, 85]),
        st.sampled_from([1, 2, 0, 3, 65535]),
        st.sampled_from([8000, 48000, 0, 1, 2**32 - 1]),
        st.sampled_from([16, 24, 32, 8, 0, 1]),
        st.sampled_from([0, 0, 1, -4, 10**9]),
        wave,
    )


def _yaml(data: Any) -> str:
    """JSON, which the reader of YAML takes; signs that no file may hold stay in their escapes."""
    return json.dumps(data)

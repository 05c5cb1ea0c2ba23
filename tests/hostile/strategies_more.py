"""Further formats as Hypothesis makes them: of units, devices, drawings, logs, traces, cards.

Half of them are as they may be, half have one thing in them that is another: so that they come
past the first mistake.
"""

from __future__ import annotations

import json
from random import Random
from typing import Any

from hypothesis import strategies as st

from diagnose.log.entry import FINDINGS, PROOFS
from tests.hostile.page import harmed
from tests.hostile.strategies import NUMBERS

_NAME = st.text("abcxyz ", max_size=6)
_OHMS = st.sampled_from(["10", "4k7", "100k", "1M"])
_VOLTS = st.sampled_from(["12", "5 V", "-15", "0"])
_PARAMETERS = {
    "npn": ["IS", "BF", "VAF", "RB", "KF"], "diode": ["IS", "RS", "N"], "njf": ["VTO", "BETA"],
    "opamp": ["gain", "gbw", "slew rate"],
}


def _one_wrong(right: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Plain data as it may be, and of each two one with one thing in it another."""
    return st.tuples(right, st.integers(0, 10**6)).map(
        lambda made: made[0] if made[1] % 2 else harmed(Random(made[1]), made[0])
    )


def _whole(
    needed: dict[str, st.SearchStrategy[Any]], more: dict[str, st.SearchStrategy[Any]] | None = None
) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(needed, optional=more or {})


def units() -> st.SearchStrategy[str]:
    """The text of a unit file, of stages that lie beside it."""
    member = _whole(
        {"stage": st.just("fed.yaml"), "rails": st.just({"vcc": "main"})},
        {"values": st.dictionaries(st.sampled_from(["R1", "R2"]), _OHMS, max_size=2)},
    )
    supply = _whole({"volts": _VOLTS}, {
        "resistance": _OHMS, "ripple": st.just({"100 Hz": "10 mV"}),
    })
    chain = st.lists(member, min_size=1, max_size=3).map(
        lambda some: [{"name": f"s{k}", **one} for k, one in enumerate(some)]
    )
    return _one_wrong(_whole(
        {"unit": st.just("made"), "title": st.just("a unit"), "about": _NAME,
         "source": st.just("closed form"), "supplies": st.fixed_dictionaries({"main": supply}),
         "chain": chain},
        {"instances": st.just(["left", "right"]), "source impedance": _OHMS, "load": _OHMS,
         "mains": st.sampled_from(["50 Hz", "60 Hz"]), "cautions": st.lists(_NAME, max_size=1)},
    )).map(json.dumps)


def device_files() -> st.SearchStrategy[str]:
    """Devices as they ship."""

    def of(kind: str) -> st.SearchStrategy[dict[str, Any]]:
        names = st.sampled_from(_PARAMETERS[kind])
        return _whole({
            "kind": st.just(kind), "about": _NAME, "source": st.just("common practice"),
            "model": st.dictionaries(names, st.floats(0.1, 10.0), max_size=3),
        })

    device = st.sampled_from([*_PARAMETERS]).flatmap(of)
    names = st.sampled_from(["one", "another-one", "third"])
    return _one_wrong(st.dictionaries(names, device, min_size=1, max_size=2)).map(json.dumps)


def libraries() -> st.SearchStrategy[str]:
    """Models and subcircuits as netlists have them."""
    value = st.one_of(NUMBERS, st.sampled_from(["1e-14", "2", "{p}", "{2*q}", "'1k'", "{1/0}", ""]))
    kind = st.sampled_from(["npn", "pnp", "d", "njf", "nmos", "x"])
    word = st.sampled_from(["is", "bf", "vaf", "rs", "vto", "beta", "x", ""])
    pair = st.tuples(word, value).map("=".join)
    model = st.tuples(st.sampled_from(["q", "d1", "", "q q"]), kind, st.lists(pair, max_size=4))
    line = st.one_of(
        model.map(lambda m: f".model {m[0]} {m[1]}({' '.join(m[2])})"),
        st.sampled_from([
            ".subckt a 1 2 3\nR1 1 2 1k\n.ends", ".subckt a 1 2 3", ".ends", ".param p=1",
            ".param p={p}", "E1 3 0 1 2 1e5", "X1 1 2 3 a", "+ bf=1", "* words", ".lib x", ".end",
        ]),
    )
    return st.lists(line, max_size=5).map(lambda lines: "\n".join(["* made", *lines, ""]))


def drawings() -> st.SearchStrategy[str]:
    """Where the parts of a divider stand: of R1 from in to out, and of R2 to ground."""
    place = st.integers(0, 30)
    ways = st.sampled_from(["up", "down", "left", "right"])
    part = st.tuples(place, place, ways).map(list)
    point = st.tuples(place, place).map(lambda p: f"{p[0]},{p[1]}")
    wire = st.lists(point, min_size=2, max_size=3).map(" ".join)
    return _one_wrong(_whole(
        {"drawing": st.just("divider"), "parts": st.fixed_dictionaries({"R1": part, "R2": part})},
        {"wires": st.lists(wire, max_size=3), "grounds": st.lists(point, max_size=2),
         "ports": st.fixed_dictionaries({"in": part, "out": part})},
    )).map(json.dumps)


def logs() -> st.SearchStrategy[str]:
    """Closed jobs of another shop, as lines of JSON."""
    fault = _whole({"part": st.just("C1"), "kind": st.just("film"), "mode": st.just("open")})
    job = st.integers(0, 5).map(lambda k: f"00000000-0000-0000-0000-{k:012d}")
    entry = _whole({
        "entry": st.just("case"), "job": job, "revision": st.integers(1, 3),
        "struck": st.booleans(), "closed": st.just("2026-03-01T10:00:00Z"), "case": _NAME,
        "stage": st.just("coupling"), "wiring": st.just("w"), "unit": _NAME, "serial": _NAME,
        "age": st.floats(0.0, 80.0), "finding": st.sampled_from(FINDINGS),
        "faults": st.lists(fault, max_size=2), "proof": st.sampled_from(PROOFS),
        "minutes": st.floats(0.0, 500.0), "followed": st.one_of(st.none(), st.booleans()),
        "cause": _NAME, "parts": st.lists(_NAME, max_size=2), "seen": st.just([]),
        "told": st.just("suspects"), "suspects": st.just([]),
    }).map(lambda made: made if made["finding"] == "fault" else {**made, "faults": []})
    line = _one_wrong(entry).map(json.dumps)
    return st.lists(line, max_size=3).map(lambda lines: "\n".join([*lines, ""]))


def traces() -> st.SearchStrategy[str]:
    """A wave as scopes write it, in some of the many ways of their heads, now and then harmed."""
    heads = st.sampled_from([
        ["Time (s),CH1 (V)"], ["Time,CH1", "s,V"], ["Sample Interval,1e-5", "CH1 (mV)"],
        ["#,CH1 (V)"], ["Frequency (Hz),Gain (dB)"], [], ["Increment,,", "x,y,z"],
    ])
    marks = st.sampled_from([",", ",", ";", "\t"])
    cell = st.one_of(st.none(), st.none(), st.none(), st.none(), NUMBERS)

    def made(parts: tuple[list[str], str, int, list[str | None], int]) -> str:
        head, mark, columns, odd, count = parts
        rows = [[f"{k * 1e-5:.6f}", f"{(k % 20 - 10) / 10:.3f}"][-columns:] for k in range(count)]
        for k, word in enumerate(odd):
            if word is not None and rows:
                rows[k * 7 % len(rows)][-1] = word
        return "\n".join([*(h.replace(",", mark) for h in head), *map(mark.join, rows), ""])

    return st.tuples(
        heads, marks, st.integers(1, 2), st.lists(cell, max_size=2), st.integers(0, 300)
    ).map(made)


def calibrations() -> st.SearchStrategy[str]:
    """What is kept of a sound card."""
    size = st.floats(0.0, 1.0)
    curve = st.lists(st.tuples(st.floats(10.0, 2e4), st.floats(-120.0, 3.0)), max_size=4,
                     unique_by=lambda pair: pair[0]).map(sorted)
    side = {
        "device": st.just("card"), "dated": st.sampled_from(["2026-03-01", "20260301"]),
        "rate": st.sampled_from([44100, 48e3]), "plays": st.floats(0.1, 10.0),
        "records": st.floats(0.1, 10.0), "output_ohms": st.floats(0.0, 1e3),
        "input_ohms": st.floats(1e3, 1e6), "response": curve, "crosstalk": curve,
        "harmonics": st.lists(st.tuples(st.integers(2, 9), size), max_size=2),
        "noise": st.dictionaries(st.sampled_from(["", "A"]), size, max_size=2),
        "hum": st.lists(st.tuples(st.sampled_from([50.0, 100.0]), size), max_size=2),
    }
    right = st.one_of(st.none(), _whole({**side, "right": st.none()}))
    return _one_wrong(_whole({**side, "right": right})).map(json.dumps)

"""Strings from users never reach the simulator as lines or commands.

Of ngspice's manual, from memory: a netlist is read line by line; a line that begins with a dot is a
command of the netlist, and between ``.control`` and ``.endc`` stand commands of the program, of
which ``shell`` hands its words to a shell. So a sign that ends a line must never come from outside.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.bench.ngspice import Ngspice
from circuits.bench.take import take
from circuits.errors import AmplifierError, InputError
from circuits.load import stage_of_text
from circuits.netlist import circuit
from circuits.reading import Reading
from circuits.spice.importing import imported

MARK = "zqx"
"""By which a word of ours is known again, in small letters as the simulator has them."""
ENDS = [
    *map(chr, range(32)),
    "\x7f",
    *map(chr, range(0x80, 0xA0)),
    "\u2028",
    "\u2029",
    "\ufeff",
    ";",
    "{",
    "}",
    "'",
    '"',
    "`",
    "$",
    "\\",
    "\r\n",
]
PAYLOADS = [
    ".control",
    ".control\nshell touch zqx\n.endc",
    "shell touch zqx",
    ".include /etc/zqx",
    ".end",
    "quit zqx",
    "* zqx",
    "+ zqx",
    ".model zqx npn(bf=1)",
    "alter zqx = 1",
    "destroy all zqx",
    ".lib zqx",
    "`zqx`",
    "$(zqx)",
    "source zqx",
    "../../zqx",
    "/proc/self/zqx",
    "system(zqx)",
]


def whole(
    part: str = "R1",
    node: str = "m",
    rail: str = "vcc",
    model: Any = None,
    word: str = "x",
    parameter: str = "BF",
    value: str = "10k",
    title: str = "t",
    name: str = "made",
    point: str = "m",
    devices: str = "",
) -> str:
    """The text of a stage with one string of a user's in each place."""
    data: dict[str, Any] = {
        "stage": name,
        "title": title,
        "about": word,
        "source": word,
        "cautions": [word],
        "ports": {"input": "in", "output": "out"},
        "rails": {rail: {"volts": "12"}},
        "test points": {point: word},
        "parts": {
            part: {"kind": "carbon-film", "nodes": [rail, node], "value": value, "role": word},
            "R2": {"kind": "carbon-film", "nodes": [node, "0"], "value": "10k"},
            "R3": {"kind": "carbon-film", "nodes": [rail, "out"], "value": "4k7"},
            "C1": {"kind": "film", "nodes": ["in", node], "value": "1u"},
            "Q1": {
                "kind": "npn",
                "nodes": ["out", node, "e"],
                "role": word,
                "model": model or {parameter: "200", "IS": "1e-14"},
            },
            "R4": {"kind": "carbon-film", "nodes": ["e", "0"], "value": "1k"},
        },
    }
    if devices:
        data["devices"] = devices
    return json.dumps(data) + "\n"


PLACES = [
    "part",
    "node",
    "rail",
    "word",
    "parameter",
    "value",
    "title",
    "name",
    "point",
    "model",
    "devices",
]


def sent(text: str) -> list[str]:
    """The lines that the simulator would be given; none where the stage is refused."""
    try:
        stage = stage_of_text(text, "made.yaml")
    except InputError:
        return []
    return circuit(stage).text().split("\n")


def harmless(lines: list[str]) -> None:
    """Nothing but elements, models, and the lines that the program itself writes."""
    for line in lines[1:]:
        assert line.isascii()
        assert line.isprintable()
        assert not re.search(r"[;{}'\"`$\\]", line)
        assert re.match(
            r"[A-Za-z]\S* |\.model \S+ \w+\(|\.options |\* no options$|\.temp |\.end$", line
        )
        assert not re.match(r"(?i)\.(control|include|lib|shell)|shell ", line)
    assert lines[-1] == ".end"
    assert sum(line == ".end" for line in lines) == 1


PLAIN = sent(whole())
assert PLAIN, "the stage without any string of a user's must be one"


@pytest.mark.parametrize("place", PLACES)
def test_no_sign_that_ends_a_line_comes_through(place: str) -> None:
    """Every control character, at the end, in the middle and before a command."""
    for end in ENDS:
        for word in (f"a{end}b", f"R9{end}shell touch zqx", f"10k{end}.control", end):
            lines = sent(whole(**{place: word}))
            if lines:
                harmless(lines)
                assert len(lines) == len(PLAIN)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("payload", PAYLOADS)
def test_no_command_comes_through(place: str, payload: str) -> None:
    lines = sent(whole(**{place: payload}))
    if lines:
        harmless(lines)
        assert len(lines) == len(PLAIN)
        assert not any(MARK in line.lower() for line in lines[1:])


@pytest.mark.slow
@given(place=st.sampled_from(PLACES), data=st.data())
@settings(derandomize=True, deadline=None, max_examples=120)
def test_any_string(place: str, data: st.DataObject) -> None:
    word = "".join(
        data.draw(
            st.lists(
                st.one_of(
                    st.sampled_from([*ENDS, *PAYLOADS, "R1", "a", " ", "."]), st.text(max_size=3)
                ),
                max_size=5,
            )
        )
    )
    lines = sent(whole(**{place: word}))
    if lines:
        harmless(lines)
        assert len(lines) == len(PLAIN)


@pytest.mark.parametrize("end", ["\n", "\r", "\x0b", "\x0c", "\x1c", "\x85", "\u2028", "\x00", ";"])
def test_no_string_of_a_netlist_comes_through(end: str) -> None:
    """Names, values, models and parameters of a netlist that is read in."""
    for line in (
        f"R9 out 0 1k{end}shell touch zqx",
        f"R9{end}zqx out 0 1k",
        f"R9 out{end}zqx 0 1k",
        f"D9 out 0 d{end}zqx",
        f".model d d(is=1f{end}zqx=1)",
        f".param a={end}zqx",
    ):
        text = "\n".join(
            ["made", "V1 in 0 AC 1", "R1 in out 1k", ".model d d", "R2 out 0 1k", line, ""]
        )
        try:
            stage = stage_of_text(imported(text, "made.cir").text, "made.yaml")
        except AmplifierError:
            continue
        lines = circuit(stage).text().split("\n")
        harmless(lines)
        assert not any("shell" in one for one in lines[1:])


@pytest.mark.slow
def test_what_the_simulator_is_told_has_no_word_of_the_user(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The commands themselves, as the library is given them, with strings that were accepted."""
    told: list[str] = []
    command, load = Ngspice.command, Ngspice.load

    def spied(real: Callable[..., Any], lines: Callable[[Any], list[str]]) -> Callable[..., Any]:
        def spy(self: Ngspice, words: Any) -> Any:
            told.extend(lines(words))
            return real(self, words)

        return spy

    monkeypatch.setattr(Ngspice, "command", spied(command, lambda words: [words]))
    monkeypatch.setattr(Ngspice, "load", spied(load, list))
    accepted = 0
    for place in ("word", "title", "name", "part", "node", "point"):
        for payload in (*PAYLOADS, f"R{MARK}", f"a_{MARK}", "shell", "control", "quit"):
            try:
                stage = stage_of_text(whole(**{place: payload}), "made.yaml")
            except InputError:
                continue
            accepted += 1
            take(stage, [Reading("dc voltage", at="out"), Reading("gain", frequency=1e3)])
    assert accepted > 40
    verbs = {line.split()[0].lower() for line in told if line.strip()}
    assert not verbs & {
        "shell",
        "source",
        "quit",
        "echo",
        "write",
        "cd",
        ".control",
        ".include",
        ".lib",
    }
    assert not any(bad in line for line in told for bad in (";", "`", "$", "\n", "\r", "{"))

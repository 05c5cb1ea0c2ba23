"""Netlists of twenty writers, flattened by ngspice and here: elements, nodes, values, models.

ngspice lists what it makes of a netlist (``listing expand``), and tells the value of every element
that it holds (``print @r1[resistance]``); neither comes from this project. Sources that follow an
expression are rewritten by both in ways of their own, and are held together by what they do: the
operating point of the flat netlist.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from circuits.spice import deck, flatten
from tests.circuits.spice.ngspice_runs import NETLISTS, ngspice

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)"
)
PROPERTY = {"r": "resistance", "c": "capacitance", "l": "inductance", "v": "dc", "i": "dc"}
_LINE = re.compile(r"^\s*(\d+) : (.*)$")
_OWN = re.compile(r"_int\d|\$poly\$|^be\d|^bg\d|xfer_|^a")
"""What ngspice adds for a source that follows an expression."""
_SCALES = {"meg": 1e6, "mil": 25.4e-6, "t": 1e12, "g": 1e9, "k": 1e3, "m": 1e-3, "u": 1e-6,
           "n": 1e-9, "p": 1e-12, "f": 1e-15}
"""Scale factors: ngspice's manual, chapter 2.1.4."""


def number(text: str) -> float:
    match = re.match(r"([-+]?[\d.]+(?:e[-+]?\d+)?)(meg|mil|[a-z])?", text)
    assert match, text
    return float(match[1]) * _SCALES.get(match[2] or "", 1.0)


def expanded(lines: list[str]) -> tuple[dict[str, list[str]], dict[str, tuple[str, dict]]]:
    """Elements by name and models by name, from a listing."""
    elements, models = {}, {}
    rows = [m[2] for m in map(_LINE.match, lines) if m and m[1] != "1"]  # 1 is the title
    for row in rows:
        if row.startswith(".model"):
            words = re.sub(r"[(),]", " ", row).replace("=", " = ").split()
            pairs = {words[k - 1]: words[k + 1] for k, w in enumerate(words) if w == "="}
            models[words[1]] = (words[2], pairs)
        elif row[0] not in ".*":
            name, *rest = row.split()
            elements[name] = rest
    return elements, models


def test_there_are_twenty() -> None:
    assert len(NETLISTS) == 20


@pytest.mark.parametrize("path", NETLISTS, ids=lambda path: path.stem)
def test_elements_nodes_values_and_models_are_those_of_ngspice(path: Path, tmp_path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    mine = flatten.flat(deck.read(text, path.name, path.parent), whole=True)
    asked = [e for e in mine.elements if e.letter in PROPERTY]
    prints = [f"print @{e.name}[{PROPERTY[e.letter]}]" for e in asked]
    lines = ngspice(path, ["listing expand", "op", *prints], tmp_path)
    elements, models = expanded(lines)

    plain = {e.name: e for e in mine.elements if e.letter not in "befgh"}
    listed = {name for name in elements if not _OWN.search(name) and name[0] not in "befgh"}
    assert set(plain) == listed
    for name, element in plain.items():
        if element.letter == "k":
            assert list(element.others) == elements[name][: len(element.others)]
            assert element.value == pytest.approx(number(elements[name][-1]), rel=1e-9)
        else:
            assert list(element.nodes) == elements[name][: len(element.nodes)], name
        if element.model and element.letter in "dqjm":
            assert element.model in elements[name]

    told = dict(re.findall(r"^@(\S+)\[\w+\] = (\S+)", "\n".join(lines), flags=re.MULTILINE))
    for element in asked:
        expected = float(told[element.name])
        value = element.value
        if element.letter == "r" and value == 0.0:
            value = 1e-3  # what ngspice makes of no ohms at all
        if element.letter == "c":  # told with its multiplier; of a resistor it is told without
            value *= element.parameters.get("m", 1.0)
        assert value == pytest.approx(expected, rel=1e-6), element.name

    for name, model in mine.models.items():
        type_, pairs = models[name]
        flags = [flag for flag in model.flags if flag in pairs]
        assert model.type in (type_, type_[:-1])
        assert not flags
        assert set(model.parameters) == set(pairs) - {"pchan"}, name
        for key, value in model.parameters.items():
            assert value == pytest.approx(number(pairs[key]), rel=1e-9), (name, key)

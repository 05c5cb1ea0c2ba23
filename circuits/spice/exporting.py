"""A stage as a netlist that plain ngspice runs, and that comes in again as the same stage.

Parts are the very elements that the bench simulates. Op-amps, valves and what a subcircuit of the
user's does stand as subcircuits, so that each stays one part. What a netlist has no words for,
kinds, roles, tolerances, stands in comments that begin with ``* amp:``: they are the stage file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from circuits.behind_rails import rail_source
from circuits.circuit import Circuit, Element, Model, plain
from circuits.elements import built
from circuits.kinds import kind
from circuits.moving import GENERATOR
from circuits.netlist import LOAD, PROBE, around
from circuits.reading import Reading
from circuits.spelling import node
from circuits.stage import GROUND, Lines, Part, Stage

MARK = "* amp:"
"""What our own comments begin with."""
_WHOLE = ("opamp", "triode", "pentode")
"""Families of parts that stand as a subcircuit."""
_SIMPLE = re.compile(r"[A-Za-z]\w*")
_PERIODS = 20
"""Periods of a transient run of which the last one is looked at."""
_STEPS = 200
"""Steps of a period."""


@dataclass(frozen=True)
class Drawn:
    """The lines of one part, and the names of its elements there."""

    part: str
    elements: tuple[Element, ...]
    models: tuple[Model, ...]
    inside: tuple[str, ...] = ()


def netlist(
    stage: Stage, text: str = "", readings: Sequence[Reading] = (), drive: float = 0.0,
    title: str = "", limited: bool = False,
) -> str:
    """The text of a netlist.

    Parameters
    ----------
    stage : Stage
        Healthy or faulty, its rails as they are loaded.
    text : str
        The stage file, which the netlist then carries in comments; empty for none.
    readings : sequence of Reading
        For which analyses are written.
    drive : float
        E.m.f. of the generator for readings under drive, V RMS.
    title : str
        The first line.
    limited : bool
        With what of op-amps only shows in large signals: slew rate and greatest current.
    """
    heading = re.sub(r"[^\x20-\x7e]", " ", title or stage.title or stage.name)
    lines = [f"* {heading}"]
    if text:
        lines += [f"{MARK} {row}".rstrip() for row in text.rstrip("\n").split("\n")]
    swings = [r for r in readings if r.driven]
    lines += [
        "* e.m.f. of the generator, V peak, and stray mains with the ripple of rails: 1 on, 0 off",
        f".param drive={plain(drive * math.sqrt(2.0))} hum={0 if swings or not readings else 1}",
    ]
    lines += _bench(stage, swings)
    lines += _parts(drawn(stage.parts, limited))
    lines += _analyses(stage, readings)
    return "\n".join([*lines, ".end", ""])


def drawn(parts: Iterable[Part], limited: bool = False) -> list[Drawn]:
    """Parts as elements, the simple ones by their own names."""
    found = []
    for part in parts:
        if kind(part.kind).family in _WHOLE or part.behaviour is not None:
            found.append(_whole(part, limited))
            continue
        elements, models = built([part], limited=limited)
        names = {e.name: _named(e.name, part) for e in elements}
        shown = tuple(
            replace(e, name=names[e.name],
                    nodes=tuple(names.get(n, n) for n in e.nodes) if e.name[0] == "K" else e.nodes)
            for e in elements
        )
        found.append(Drawn(part.name, shown, tuple(models)))
    return found


def _named(name: str, part: Part) -> str:
    """The name of an element: the part's own where SPICE takes it for the same."""
    letter, stem = name[0], f"{name[0]}_{node(part.name)}"
    if not _SIMPLE.fullmatch(part.name) or part.name[0].upper() != letter:
        return name
    if kind(part.kind).family == "potentiometer" or name == stem:
        shown = part.name + name.removeprefix(stem)
        return name if shown.lower() in (LOAD.lower(), "rgen") or (
            shown.lower().startswith(("rrail_", "rstray_", "rjoint_", "vrail_"))) else shown
    return name


def _whole(part: Part, limited: bool) -> Drawn:
    """A part as a subcircuit: its inside between pins that have the names of the kind's pins."""
    pins = [re.sub(r"\W", "_", pin) for pin in kind(part.kind).pins][: len(part.nodes)]
    loose = replace(part, nodes=tuple(f"pin{k}" for k in range(len(pins))))
    elements, models = built([loose], limited=limited)
    names = {f"pin{k}": pin for k, pin in enumerate(pins)}

    def text(words: str) -> str:
        return re.sub(r"\bpin(\d)\b", lambda m: names[m[0]], words)

    rows = [f".subckt inside_{node(part.name)} {' '.join(pins)}"]
    for element in elements:
        nodes = tuple(names.get(n, n) for n in element.nodes)
        rows.append(replace(element, nodes=nodes, text=text(element.text)).line())
    rows += [model.line() for model in models]
    rows.append(f".ends inside_{node(part.name)}")
    letter = "" if part.name[0] in "xX" else "X"
    name = f"{letter}{part.name}" if _SIMPLE.fullmatch(part.name) else f"X_{node(part.name)}"
    instance = " ".join([name, *(node(n) for n in part.nodes), f"inside_{node(part.name)}"])
    return Drawn(part.name, (), (), (*rows, instance))


def _parts(found: Sequence[Drawn]) -> list[str]:
    lines: list[str] = []
    for one in found:
        lines += [e.line() for e in one.elements]
        lines += one.inside
    models = dict.fromkeys(model for one in found for model in one.models)
    return [*lines, *(model.line() for model in models)]


def _bench(stage: Stage, swings: Sequence[Reading]) -> list[str]:
    """Generator, rails and load; stray mains and ripple as sources that `hum` turns on."""
    lines: list[str] = []
    frequency = next((r.frequency for r in swings if r.frequency), 1e3)
    rails = {rail_source(rail.name): rail for rail in stage.rails}
    for element in around(stage):
        if element.name == GENERATOR:
            start, back = element.nodes
            rows, end = _in_series("Vpickup", start, back, stage.pickup)
            lines.append(f"{GENERATOR} {start} {end} DC 0 AC 1 "
                         f"SIN(0 {{drive}} {plain(frequency)})")
            lines += rows
        elif element.name in rails:
            rail = rails[element.name]
            first, last = element.nodes
            rows, end = _in_series(f"Vripple_{node(rail.name)}", first, last, rail.ripple)
            lines.append(f"{element.name} {first} {end} DC {plain(element.value or 0.0)}")
            lines += rows
        elif element.name != PROBE:
            lines.append(element.line())
    for at, found in stage.stray:
        lines += [
            f"Istray_{node(at)}_{k} 0 {node(at)} DC 0 SIN(0 {{hum*{_peak(size)}}} {plain(hz)})"
            for k, (hz, size) in enumerate(found, 1) if size
        ]
    return lines


def _peak(rms: float) -> str:
    return plain(rms * math.sqrt(2.0))


def _in_series(name: str, start: str, last: str, found: Lines) -> tuple[list[str], str]:
    """Lines of the mains as sources one on another; gives the node that the first stands on."""
    told = [(hz, size) for hz, size in found if size]
    if not told:
        return [], last
    stem = f"{name.lower()}_{start}"
    nodes = [*(f"{stem}_{k}" for k in range(1, len(told) + 1)), last]
    return [
        f"{name}_{k} {a} {b} DC 0 SIN(0 {{hum*{_peak(size)}}} {plain(hz)})"
        for k, ((hz, size), a, b) in enumerate(zip(told, nodes, nodes[1:], strict=False), 1)
    ], nodes[0]


def _analyses(stage: Stage, readings: Sequence[Reading]) -> list[str]:
    """Statements that tell what the readings do, as far as one netlist can."""
    out = node(stage.output)
    lines = ["* analyses", ".save all"]
    quantities = {r.quantity for r in readings}
    if not readings or quantities & {"dc voltage", "supply current"}:
        lines.append(".op")
    steady = [r.frequency for r in readings
              if not r.driven and r.frequency and r.quantity not in ("hum", "ripple")]
    if steady or not readings:
        low, high = min([10.0, *steady]), max([100e3, *steady])
        lines += [f".ac dec 20 {plain(low)} {plain(high)}", f".print ac vdb({out}) vp({out})"]
    if quantities & {"noise", "snr"} or not readings:
        lines += [f".noise v({out}) {GENERATOR} dec 20 20 20k", ".print noise onoise_spectrum"]
    swings = [r for r in readings if r.driven]
    for frequency in dict.fromkeys(r.frequency or 1e3 for r in swings[:1]):
        period = 1.0 / frequency
        lines += [f".tran {plain(period / _STEPS)} {plain(_PERIODS * period)} 0 "
                  f"{plain(period / _STEPS)}", f".four {plain(frequency)} v({out})"]
    hums = [r for r in readings if r.quantity in ("hum", "ripple")]
    if hums and not swings:
        period = 1.0 / stage.mains
        lines += [f".tran {plain(period / _STEPS)} {plain(_PERIODS * period)} 0 "
                  f"{plain(period / _STEPS)}", f".four {plain(stage.mains)} v({out})"]
    elif hums:
        lines.append(f"* hum: set drive=0 hum=1, run for 20 periods of {stage.mains:g} Hz, and "
                     f".four {plain(stage.mains)} v({out})")
    if "resistance" in quantities:
        lines.append("* resistances are read with the power off: not in this netlist")
    return lines


def circuit_of(stage: Stage) -> Circuit:
    """The stage as the bench has it, for whom a netlist is held against."""
    elements, models = built(stage.parts)
    return Circuit((*around(stage), *elements), tuple(models))


__all__ = ["GROUND", "MARK", "Drawn", "circuit_of", "drawn", "netlist"]

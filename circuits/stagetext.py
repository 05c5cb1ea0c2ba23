"""A stage as the text of a stage file, which `circuits.load` reads back as the same stage."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from circuits.device import DEFAULT_MODEL, load_devices, parameter_units
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.partfile import series_resistance
from circuits.quantities import LEVELS
from circuits.quantity import exact
from circuits.ratings import rating_unit
from circuits.stage import GROUND, Lines, Part, Rail, Stage
from circuits.yamlfile import quoted


def stage_text(stage: Stage, devices: str = "", head: Iterable[str] = ()) -> str:
    """The text of a stage file.

    Parameters
    ----------
    devices : str
        Lines of `.model` and `.subckt` that parts name, or the name of a file of them; without,
        models are written out.
    head : iterable of str
        Comments that stand first.

    Raises
    ------
    InputError
        For a unit of several stages, or a rail with a supply behind it: those stand in files of
        their own.
    """
    if stage.chain is not None or any(rail.supply is not None for rail in stage.rails):
        raise InputError(f"{stage.name} is more than one stage file can hold",
                         expected="a stage whose rails are given by volts and ripple")
    lines = [f"# {line}".rstrip() for line in head]
    lines.append(f"stage: {quoted(stage.name)}")
    for key in ("title", "about", "source"):
        if getattr(stage, key):
            lines.append(f"{key}: {quoted(getattr(stage, key))}")
    if stage.rails:
        lines += ["rails:", *(f"  {quoted(rail.name)}: {_rail(rail)}" for rail in stage.rails)]
    back = f", return: {_node(stage.input_return)}" if stage.input_return != GROUND else ""
    lines.append(f"ports: {{input: {_node(stage.input)}, output: {_node(stage.output)}{back}}}")
    lines.append(f"source impedance: {exact(stage.source_impedance, 'ohm')}")
    if stage.load:
        lines.append(f"load: {exact(stage.load, 'ohm')}")
    lines.append(f"mains: {exact(stage.mains, 'Hz')}")
    if stage.pickup:
        lines.append(f"pickup: {_lines(stage.pickup, 'V')}")
    if stage.stray:
        lines.append("stray current:")
        lines += [f"  {_node(at)}: {_lines(found, 'A')}" for at, found in stage.stray]
    if stage.shared:
        lines.append(f"shared: [{', '.join(map(quoted, stage.shared))}]")
    if stage.signal:
        levels = (f"{name}: {exact(value, LEVELS[name])}" for name, value in stage.signal)
        lines.append(f"signal: {{{', '.join(levels)}}}")
    lines += ["parts:", *(
        f"  {quoted(part.name)}: {{{_part(part, bool(devices))}}}" for part in stage.parts)]
    lines += _adjust(stage)
    points = [(at, text) for at, text in stage.test_points if text]
    if points:
        lines += ["test points:", *(f"  {_node(at)}: {quoted(text)}" for at, text in points)]
    if stage.cautions:
        lines += ["cautions:", *(f"  - {quoted(text)}" for text in stage.cautions)]
    if devices and not devices.startswith((".", "*")) and "\n" not in devices:
        lines.append(f"devices: {quoted(devices)}")
    elif devices:
        lines += ["devices: |", textwrap.indent(devices.strip("\n"), "  ")]
    if stage.guessed:
        lines.append("guessed:")
        lines += [f"  {quoted(of)}: [{', '.join(words)}]" for of, words in stage.guessed]
    return "\n".join(lines) + "\n"


def _node(name: str) -> str:
    return '"0"' if name == GROUND else quoted(name)


def _lines(found: Lines, unit: str) -> str:
    return "{" + ", ".join(f"{exact(f, 'Hz')}: {exact(x, unit)}" for f, x in found) + "}"


def _rail(rail: Rail) -> str:
    words = [f"volts: {exact(rail.volts, 'V')}"]
    if rail.ripple:
        words.append(f"ripple: {_lines(rail.ripple, 'V')}")
    if rail.resistance:
        words.append(f"resistance: {exact(rail.resistance, 'ohm')}")
    return "{" + ", ".join(words) + "}"


def _part(part: Part, named: bool) -> str:
    about = kind(part.kind)
    words = [f"kind: {part.kind}", f"nodes: [{', '.join(map(_node, part.nodes))}]"]
    if part.value is not None and about.unit and part.value != about.value:
        words.append(f"value: {exact(part.value, about.unit)}")
    if part.tolerance != about.tolerance:
        words.append(f"tolerance: {exact(part.tolerance, '%')}")
    words += _model(part, named)
    if about.family == "potentiometer" and part.position != 0.5:
        words.append(f"position: {part.position!r}")
    if part.esr != series_resistance(part.kind, part.value):
        words.append(f"esr: {exact(part.esr, 'ohm')}")
    if part.rating:
        words.append(f"rating: {exact(part.rating, rating_unit(part.kind))}")
    if part.heat:
        words.append(f"heat: {exact(part.heat, '')}")
    if part.role:
        words.append(f"role: {quoted(part.role)}")
    return ", ".join(words)


def _model(part: Part, named: bool) -> list[str]:
    known = load_devices().get(part.model)
    if part.model and (named if known is None else known.parameters == part.parameters):
        if part.model == DEFAULT_MODEL.get(part.kind):
            return []
        return [f"model: {quoted(part.model)}"]
    if not part.parameters:
        return []
    units = parameter_units(kind(part.kind).family)
    figures = ", ".join(f"{name}: {exact(value, units[name])}" for name, value in part.parameters)
    return [f"model: {{{figures}}}"]


def _adjust(stage: Stage) -> list[str]:
    if not stage.adjust:
        return []
    lines = ["adjust:"]
    for one in stage.adjust:
        words = ["quantity: dc voltage", f"at: {_node(one.at)}"]
        if one.origin != GROUND:
            words.append(f"from: {_node(one.origin)}")
        words.append(f"within: {exact(one.within, '%')}")
        if one.aim:
            words.append(f"to: {exact(one.aim, 'V')}")
        lines.append(f"  {quoted(one.part)}: {{{', '.join(words)}}}")
    return lines

"""The page of a study: one fault, its size under a slider, every reading simulated as it moves."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, replace

import numpy as np
from flask import Blueprint, Response, jsonify, render_template, request

from circuits.errors import AmplifierError, InputError
from circuits.reading import Reading, from_compared, shown
from circuits.stage import Stage
from diagnose.sheet.case import Case
from diagnose.show.chart_scale import View
from diagnose.show.curve_limits import bounds_of
from diagnose.show.curve_rows import curve_label
from diagnose.show.embedded import charts, drawing
from diagnose.show.figure import Axis, Band, Figure, Panel, Series
from diagnose.show.wording import amount
from diagnose.studies.fault_study import BAND
from diagnose.web.desk import desk
from diagnose.web.sheets import loaded
from diagnose.web.tasks import Array, Ground
from faultlib.catalogue import hypotheses, mode_for, size_value
from faultlib.fault import Fault
from faultlib.signature import differences

studies = Blueprint("studies", __name__)
_STILL = 0.05
"""Shifts below so much of what a meter and good parts leave open count as none."""
_FULL = 10.0
"""A shift of so many times that is a whole bar."""
_MOST_WIDTH = 1600.0
"""CSS pixels that a request may ask a chart to be wide."""
_MOST_GROUNDS = 20
"""Sheets whose healthy unit is kept for the next move of a slider (judgement)."""
_grounds: dict[tuple[str, int], Ground] = {}
_lock = threading.Lock()


def forget(name: str) -> None:
    """Keep nothing of a sheet that is put away; waits for no other that is being simulated."""
    for old in [key for key in list(_grounds) if key[0] == name]:
        _grounds.pop(old, None)


@dataclass(frozen=True)
class Row:
    """One line of the table of readings."""

    label: str
    healthy: str
    now: str
    shift: str
    times: float
    direction: str

    @property
    def bar(self) -> float:
        """Its length, of 100."""
        return min(100.0, 100.0 * math.log1p(self.times) / math.log1p(_FULL))


@studies.get("/sheet/<name>/study")
def study(name: str) -> str:
    """The page, with the parts and the ways in which each fails."""
    kept, sheet = loaded(name)
    if sheet.case is None:
        return render_template("study.html", name=name, title=kept.sheet.case, tab="study",
                               problems=sheet.problems)
    stage = sheet.case.stage
    modes: dict[str, list[tuple[str, bool]]] = {}
    for h in hypotheses(stage):
        modes.setdefault(h.part, []).append((h.mode.name, h.mode.sized))
    roles = {p.name: p.role for p in stage.parts}
    return render_template(
        "study.html", name=name, title=kept.sheet.case, tab="study", problems=(), modes=modes,
        roles=roles, drawing=drawing(stage), stage=stage, part=request.args.get("part", ""),
        mode=request.args.get("mode", ""), simple=len(modes) < 2,
    )


@studies.post("/sheet/<name>/study")
def moved(name: str) -> Response:
    """Readings of a unit with one fault of one size."""
    kept, sheet = loaded(name)
    if sheet.case is None:
        raise InputError("this sheet has no stage that can be studied", expected="a stage")
    sent = request.get_json()
    if not isinstance(sent, dict):
        raise InputError("this is not a study", expected="part, mode and place")
    part, word = str(sent.get("part", "")), str(sent.get("mode", ""))
    place, wide = _number(sent.get("place"), 0.0, 1.0), _number(sent.get("width"), 0.0, _MOST_WIDTH)
    view = str(sent.get("view", ""))
    looked_at = {0: View.of(view)} if view else None
    stage = sheet.case.stage
    mode = mode_for(stage, part, word)
    fault = Fault(part, word, float(mode.size(np.array(place))))
    path = str(kept.path)
    base = _ground(name, kept.revision, path)
    mark = str(kept.revision)
    values = desk().quick.run("moved", path, mark, fault, base.readings)
    if not np.isfinite(values).all():
        raise AmplifierError("the simulator finds no solution at this size")
    rows = _rows(base, values)
    return jsonify(
        number=sent.get("number"),
        size=_size(stage, fault),
        chart=charts(_figure(sheet.case, base, values, f"{part} {word}"), wide, views=looked_at),
        table=render_template("study_rows.html", rows=rows),
        moved=sum(row.times > 1.0 for row in rows),
    )


def _number(given: object, low: float, high: float) -> float:
    if isinstance(given, bool) or not isinstance(given, (int, float)) or not math.isfinite(given):
        raise InputError("this is no number of a study", expected=f"{low:g} to {high:g}")
    return min(max(float(given), low), high)


def _ground(name: str, revision: int, path: str) -> Ground:
    with _lock:
        ground = _grounds.get((name, revision))
        if ground is None:
            ground = desk().quick.run("ground", path, str(revision))
            forget(name)
            _grounds[name, revision] = ground
            while len(_grounds) > _MOST_GROUNDS:
                _grounds.pop(next(iter(_grounds)), None)
        return ground


def _size(stage: Stage, fault: Fault) -> str:
    size = size_value(stage, fault)
    return "" if size is None else f"{size.quantity} {amount(size.value, size.unit)}"


def _rows(base: Ground, values: Array) -> list[Row]:
    """Every reading with its shift, those that a bench would notice most first."""
    apart = differences(values[None, :], base.healthy, base.readings)[0]
    open_ = BAND * np.hypot(base.sigma, base.bench)
    times = np.abs(apart) / open_
    chosen = [*range(base.curve), *_marks(base)]
    order = sorted(chosen, key=lambda k: -float(times[k]))
    return [_row(base.readings[k], base.healthy[k], values[k], apart[k], times[k]) for k in order]


def _marks(base: Ground) -> list[int]:
    """Points of the response that stand in the table: ends, and one a decade between."""
    frequencies = [r.frequency for r in base.readings[base.curve :]]
    apart = np.abs(np.log(np.divide.outer([20.0, 50.0, 100.0, 10e3, 20e3], frequencies)))
    return [base.curve + int(k) for k in dict.fromkeys(apart.argmin(axis=1))]


def _row(reading: Reading, healthy: float, now: float, apart: float, times: float) -> Row:
    before, after = (from_compared(reading, float(x)) for x in (healthy, now))
    moved = float(times) > _STILL
    if reading.scale == "log":
        shift = f"× {math.exp(float(apart)):.3g}"
    elif reading.scale in ("dB", "level"):
        shift = f"{float(apart):+.2f} dB"
    else:
        shift = ("+" if apart >= 0.0 else "") + amount(float(apart), reading.unit, reading.label())
    return Row(
        reading.label(),
        amount(shown(reading, before), reading.unit, reading.label()),
        amount(shown(reading, after), reading.unit, reading.label()),
        shift if moved else "",
        float(times),
        ("up" if apart > 0.0 else "down") if moved else "",
    )


def _figure(case: Case, base: Ground, values: Array, label: str) -> Figure:
    """The response, healthy and faulty, with what was measured."""
    k = base.curve
    curve = base.readings[k:]
    first = curve[0]
    x = tuple(r.frequency for r in curve)
    low, high = base.healthy[k:] - BAND * base.sigma[k:], base.healthy[k:] + BAND * base.sigma[k:]
    series = [Series(label, x, tuple(map(float, values[k:])))]
    sides = case.channels or (("", case.readings),)
    for name, readings in sides:
        read = [m for m in readings if m.reading.quantity == first.quantity
                and m.reading.reference == first.reference]
        if read:
            series.append(Series(f"{name}, measured" if name else "measured",
                                 tuple(m.reading.frequency for m in read),
                                 tuple(m.value for m in read), joined=False))
    band = Band("healthy units", x, tuple(map(float, low)), tuple(map(float, high)))
    kind = replace(first, frequency=0.0)
    panel = Panel(curve_label(kind), Axis("frequency", "Hz", logarithmic=True),
                  Axis(first.quantity, first.unit), tuple(series), (band,),
                  bounds_of(case, kind))
    return Figure(label, (panel,))

"""Expected figures weighed: the design beside the unit, as a good channel stands beside the other.

What a manual prints, e, and what was read of the unit, y, are one vector. The design has no fault
and, being what is on paper, no parts out of tolerance. What the stage file has wrong the unit has
in common with it: nominal values, the voltages of rails, the makes of devices, the error of the
model. So p(y, e | fault) tells a fault from another design: a fault moves y alone. What is the
unit's own stays so: tolerances, stray mains, ripple.

How far the file is off is not known beforehand. With a narrow prior of it, what a manual says of a
unit built to other values would be shrugged off as an unlikely figure; with a wide one, figures
that bear the file out would weaken every answer. So the scale is a parameter, one of `SCALES`. As
the design is the same under every hypothesis, p(e | scale) does not depend on what is wrong, and
the scale under which the figures are the most probable is taken (evidence maximised over a
hyperparameter; MacKay, Neural Computation 4 (1992) 415, from memory). Where the figures say what
the file says, it is the smallest, and the answer rests on what it rested on without them. Figures
printed to 10 % do not show a design that differs from the file by just that; closer ones do.

No fault is simulated for the design: its readings are those of good units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from circuits.reading import Reading, softened
from circuits.stage import Stage
from diagnose.inference.channels import NOMINAL, Common, doubted, joined, plain
from diagnose.inference.likelihood import (
    Array,
    Covariance,
    Observed,
    covariance_around,
    log_density,
)
from diagnose.inference.model_error import Designed
from faultlib.ensemble import Ensemble
from faultlib.makes import left_open
from faultlib.signature import differences
from faultlib.simulate import Answer, Bench, Problem, Progress, Variant
from faultlib.tolerance import LeftOpen, Spread, spreads

SCALES = (1.0, 2.0, 4.0, 8.0)
"""How many times farther off than usual a stage file may be: nominal values and rails by 5, 10, 20
and 40 %, each with the model's error in proportion (judgement; each as likely as the next)."""


def designed(reading: Reading) -> Designed:
    """A reading of the unit's design."""
    return Designed(**{f.name: getattr(reading, f.name) for f in fields(Reading)})


def design_spreads(
    stage: Stage, known: Sequence[str], scale: float, kind_only: bool = False
) -> tuple[Spread, ...]:
    """What varies in a unit, and in its design alike where it is `Common` or left open.

    With a scale of 1 the unit by itself varies as it does without expected figures
    (`channels.doubted`).

    Parameters
    ----------
    known : sequence of str
        Parts whose values the sheet states, which are none of the design's doubts.
    scale : float
        One of `SCALES`.
    kind_only : bool
        Whether the stage file tells no more than the kind of stage (`faultlib.designs`). How far
        other designs lie off is then stated, and they are left open to unit and figures alike.
    """
    if kind_only:
        return doubted(stage, known, kind_only)
    made: list[Spread] = []
    for own, one in zip(spreads(stage), doubted(stage, known), strict=False):
        made.append(one if one.what in ("pickup", "ripple") else own)
        if one.what == "value" and one.target not in known:
            made.append(Common(one.target, one.what, NOMINAL * scale))
        if one.what == "volts" and scale > 1.0 and any(r.name == one.target for r in stage.rails):
            made.append(Common(one.target, one.what, NOMINAL * scale))
    return (*made, *left_open(stage))


@dataclass(frozen=True)
class WithDesign:
    """A bench that takes `Designed` readings of a variant's design, and all others of itself.

    A value's own tolerance and the doubt about what is drawn move the unit along one line. It is
    simulated once, with the step of the doubt, which is the wider of the two.

    Attributes
    ----------
    bench : Bench
    common : tuple of Common
        What unit and design have in common.
    """

    bench: Bench
    common: tuple[Common, ...] = ()

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant; each different design is simulated once."""
        rows = np.full((len(variants), len(readings)), np.nan)
        problems: list[Problem] = []
        simulated = 0
        lines = {(s.target, s.what): s for s in self.common}
        along = [_along(v, lines) for v in variants]
        for of_design in (False, True):
            which = [k for k, r in enumerate(readings) if isinstance(r, Designed) == of_design]
            if not which:
                continue
            asked = [_design(v) if of_design else _unit(v if a is None else a.moved)
                     for v, a in zip(variants, along, strict=True)]
            bases = [] if of_design else [_unit(a.base) for a in along if a is not None]
            unique = list(dict.fromkeys([*asked, *bases]))
            wanted = [r.plain() if isinstance(r, Designed) else r
                      for r in (readings[k] for k in which)]
            answer = self.bench.values(stage, unique, wanted, progress)
            place = {variant: k for k, variant in enumerate(unique)}
            found = answer.values[[place[v] for v in asked]]
            for k, a in enumerate(along if not of_design else ()):
                if a is not None:
                    base = answer.values[place[_unit(a.base)]]
                    # NaN where the step was not simulated: no change is for the caller to say
                    found[k] = base + a.share * differences(found[k], base, wanted) + 0.0 * found[k]
            rows[:, which] = found
            problems += answer.problems
            simulated += answer.simulated
        return Answer(rows, tuple(dict.fromkeys(problems)), simulated)


@dataclass(frozen=True)
class _Along:
    """A variant as another one and a share of a step that is simulated."""

    base: Variant
    moved: Variant
    share: float


def _along(variant: Variant, lines: Mapping[tuple[str, str], Common]) -> _Along | None:
    """The step whose share the last deviation is, where it is one of a value's own tolerance."""
    if not variant.deviations:
        return None
    *rest, (spread, z) = variant.deviations
    wider = lines.get((spread.target, spread.what))
    if isinstance(spread, Common | LeftOpen) or wider is None or z != 1.0:
        return None
    return _Along(replace(variant, deviations=tuple(rest)),
                  replace(variant, deviations=(*rest, (wider, 1.0))), spread.sigma / wider.sigma)


def _unit(variant: Variant) -> Variant:
    return replace(variant, deviations=tuple((plain(s), z) for s, z in variant.deviations))


def _design(variant: Variant) -> Variant:
    return Variant((), tuple((plain(s), z) for s, z in variant.deviations
                             if isinstance(s, Common | LeftOpen)))


def scale_of(
    stage: Stage, known: Sequence[str], figures: Observed, drawn: Ensemble, bench: Bench
) -> float:
    """How many times farther off than usual the expected figures show the stage file to be.

    Parameters
    ----------
    figures : Observed
        Of `Designed` readings alone, those at rest: under drive every doubt costs a hundred times
        as much to look at.
    drawn : Ensemble
        Good units that differ by what the file leaves open, with these readings among theirs.
    bench : Bench
        Takes them.

    Returns
    -------
    float
        One of `SCALES`.
    """
    if np.isnan(drawn.healthy).any() or not figures.readings:
        return SCALES[0]
    step = SCALES[1]
    common = [s for s in design_spreads(stage, known, step) if isinstance(s, Common)]
    asked = [Variant(), *(Variant((), ((s, 1.0),)) for s in common)]
    answer = bench.values(stage, asked, figures.readings)
    healthy, moved = answer.values[0], answer.values[1:]
    lines = np.nan_to_num(differences(moved, healthy, figures.readings)) / step
    where = {r.key(): k for k, r in enumerate(drawn.readings)}
    makes = np.column_stack([softened(r, drawn.values[:, where[r.key()]])
                             for r in figures.readings])
    open_ = differences(makes, healthy, figures.readings) / np.sqrt(max(len(makes), 1))
    apart = figures.residuals(healthy)[None, :]
    logs = []
    for scale in SCALES:
        doubts = [s.what == "value" or scale > 1.0 for s in common]
        strays = np.vstack([scale * lines[doubts], open_])
        around = Covariance.of(covariance_around(replace(figures, wide=scale), healthy, strays))
        logs.append(float(log_density(around.whiten(apart), around)[0]))
    return SCALES[int(np.argmax(logs))]


def beside_design(unit: Observed, figures: Observed, scale: float) -> Observed:
    """Readings of the unit and figures of its design as one vector, the unit's first."""
    return Observed(
        unit.readings + figures.readings,
        np.concatenate([unit.values, figures.values]),
        np.concatenate([unit.bench, figures.bench]),
        unit.bounds + figures.bounds,
        slips=None if unit.slips is None or figures.slips is None
        else np.concatenate([unit.slips, figures.slips]),
        eased=joined(unit, figures),
        wide=scale,
    )


def given_design(
    observed: Observed, count: int, predicted: Array, matrix: Array
) -> tuple[Array, Array]:
    """What the unit should read under a hypothesis, now that its design's figures are known.

    The mean and variance of a normal density given some of its coordinates.

    Parameters
    ----------
    count : int
        How many of the readings, the first ones, are the unit's.
    predicted : (m,) array
        Of the stage file.
    matrix : (m, m) array
        Covariance around it.

    Returns
    -------
    level, sigma : (count,) array
        Compared scale.
    """
    cross, known = matrix[:count, count:], matrix[count:, count:]
    gain = np.linalg.solve(known, cross.T).T
    level = predicted[:count] + gain @ observed.residuals(predicted)[count:]
    left = np.diag(matrix)[:count] - (gain * cross).sum(axis=1)
    return np.asarray(level), np.sqrt(np.maximum(left, 1e-24))

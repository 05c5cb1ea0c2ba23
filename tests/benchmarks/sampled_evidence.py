"""The evidence of a hypothesis with every point simulated: no straight lines, no grid of sizes.

What `diagnose.inference` integrates over the size of a fault and over all that good parts, makes
and layout leave open is written down here as a density of these numbers (`Target`), each point of
which is a simulation of that very unit. `sampled` integrates it by importance sampling: from a
normal density about straight lines, widened, with a share of still wider draws. What lies across
all directions that the readings see is drawn from the prior. Only the means of drawing come from
lines; were they wrong, the estimate would scatter more and not go astray.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from diagnose.inference.censored import standings, supposed
from diagnose.inference.evidence import Scored, fault_at, notch, rescored
from diagnose.inference.infer import Weighing
from diagnose.inference.likelihood import (
    Covariance,
    Observed,
    covariance_around,
    log_student,
    mean_of_logs,
)
from diagnose.inference.model_error import model_errors, tails
from diagnose.inference.orthant import log_orthant
from diagnose.inference.phasors import phases
from diagnose.inference.posterior import healthy
from faultlib.catalogue import Hypothesis
from faultlib.signature import Signatures, differences, sensitivities_at
from faultlib.simulate import Bench, Variant

Array = NDArray[np.float64]

FREEDOM = model_errors()[0]
"""The ranking's density of readings is Student's. That is a normal one of everything that strays,
deviations too, with one common scale that nobody knows: its inverse square follows χ²/ν."""
ROUNDS = 3
"""Times that the lines are drawn anew where draws are to be made."""
_STEP = 3.0
"""Standard deviations that a good part may be moved to where lines are drawn."""
_NEAR = 0.3
"""Standard deviations that the best unit may still move: draws are wider than lines say anyway."""
WIDE = ((1.1, 0.85), (1.5, 0.15))
"""How many times wider than straight lines say deviations are drawn, and the share of these."""
_KINDS = 4
"""Of the readings that may be misread, and of none, how many are drawn for: the likeliest."""
_PRIOR = 0.05
"""Of all draws, how many have a size from the prior."""


@dataclass(frozen=True)
class Target:
    """Prior times likelihood of one hypothesis.

    Attributes
    ----------
    scored : Scored
        A single fault, or health.
    observed : Observed
        With the phases of the unit that fits best.
    """

    scored: Scored
    found: Signatures
    observed: Observed
    bench: Bench

    @property
    def hypothesis(self) -> Hypothesis | None:
        """The fault, None for health."""
        return self.scored.hypotheses[0] if self.scored.hypotheses else None

    @property
    def sized(self) -> bool:
        """Whether the fault has a size."""
        return self.hypothesis is not None and self.hypothesis.mode.sized

    def unit(self, place: float, deviations: Array) -> Variant:
        """The unit of a size, as a place on its scale, and of deviations (p,)."""
        faults = () if self.hypothesis is None else (fault_at(self.hypothesis, place),)
        pairs = zip(self.found.spreads, deviations, strict=True)
        return Variant(faults, tuple((s, float(z)) for s, z in pairs if z != 0.0))

    def shifts(self, places: Array) -> Array:
        """How far a fault of these sizes moves the readings of the unit as drawn, (n, m)."""
        if self.hypothesis is None:
            return np.zeros((len(places), len(self.found.healthy)))
        signature = next(s for s in self.found.faults if s.hypothesis == self.hypothesis)
        rows = signature.at(self.hypothesis.mode.size(places))
        return differences(rows, self.found.healthy, self.found.readings)

    def noise(self, level: Array, shift: Array) -> Array:
        """Covariance (m, m) of what is no deviation: bench, model, phases."""
        return covariance_around(self.observed, level, None, shift)

    def log_likelihoods(self, places: Array, scales: Array, deviations: Array) -> Array:
        """Logarithm of the density of the readings of units that are simulated, (n,).

        Parameters
        ----------
        places : (n,) array
        scales : (n,) array
            What all variances are divided by, those of deviations too; see `FREEDOM`.
        deviations : (n, p) array

        Returns
        -------
        (n,) array
            Minus infinity for a unit that cannot be simulated.
        """
        units = [self.unit(x, z) for x, z in zip(places, deviations, strict=True)]
        rows = self.bench.values(self.found.stage, units, self.found.readings).values
        made = np.full(len(units), -np.inf)
        good = ~np.isnan(rows).any(axis=1)
        if good.any():
            shifts = self.shifts(places)[good]
            matrices = np.array([self.noise(r, s) for r, s in zip(rows[good], shifts, strict=True)])
            made[good] = self._log_density(rows[good], matrices, scales[good])
        return made

    def _log_density(self, rows: Array, matrices: Array, scales: Array) -> Array:
        """Of readings of which one may be misread, given the scale of all errors: normal ones."""
        at = standings(self.observed, self.observed.residuals(rows), matrices)
        plain = np.flatnonzero(self.observed.signs == 0.0)
        own = np.linalg.inv(matrices[:, plain[:, None], plain])
        power = self.slips**2 * np.diagonal(own, axis1=1, axis2=2)
        about = tails()
        one = _log_normal(
            at.squares[:, None] - at.apart**2 * power / (1.0 + power),
            at.log_determinants[:, None] + np.log1p(power), scales[:, None], len(plain),
        )
        logs = np.logaddexp(
            _log_normal(at.squares, at.log_determinants, scales, len(plain))
            + math.log1p(-about.misread),
            mean_of_logs(one) + math.log(about.misread),
        )
        if at.bounded:
            sigma = np.sqrt(np.diagonal(at.left, axis1=1, axis2=2))
            alike = at.left / (sigma[:, :, None] * sigma[:, None, :])
            logs = logs + log_orthant(at.reach * np.sqrt(scales)[:, None], alike)
        return np.asarray(logs)

    @cached_property
    def slips(self) -> Array:
        """How far each plain reading strays where it is misread, compared scale, (p,)."""
        plain = np.flatnonzero(self.observed.signs == 0.0)
        whole = self.scored.spread.factor @ self.scored.spread.factor.T
        left = tails().slip / np.sqrt(np.diag(np.linalg.inv(whole[plain[:, None], plain])))
        most = self.observed.slips
        return left if most is None else np.minimum(left, most[plain])

    def point(self, numbers: Array, seen: Sequence[int]) -> tuple[float, float, Array]:
        """A size, a scale and deviations of numbers (q,) that lie evenly between 0 and 1.

        Parameters
        ----------
        seen : sequence of int
            Which deviations there are; the others are nought.
        """
        place, scale, *rest = numbers
        if self.hypothesis is not None:
            place = float(self.hypothesis.mode.drawn(np.array([place]))[0])
        by = float(stats.gamma.ppf(scale, FREEDOM / 2.0, scale=2.0 / FREEDOM))
        deviations = np.zeros(len(self.found.spreads))
        deviations[list(seen)] = stats.norm.ppf(rest) / math.sqrt(by)
        return place, by, deviations

    def log_prior_of_place(self, places: Array) -> Array:
        """Logarithm of the prior density of sizes, over places from 0 to 1, (n,)."""
        if self.hypothesis is None or not self.sized:
            return np.zeros(len(places))
        fine = self.hypothesis.mode.density(np.linspace(0.0, 1.0, 4001))
        whole = float(np.trapezoid(fine, dx=1.0 / 4000.0))
        return np.log(self.hypothesis.mode.density(places) / whole)


def targets(weighed: Weighing, bench: Bench, count: int) -> list[Target]:
    """The leading single hypotheses of a weighed case, health among them.

    Parameters
    ----------
    bench : Bench
        Takes readings of every unit by itself.
    """
    (turns,) = phases(weighed.case.stage, [Variant()], weighed.observed.readings, bench)
    good = replace(healthy(weighed.found, replace(weighed.observed, phases=turns)),
                   log_evidence=weighed.posterior.healthy_evidence)
    scored = [s for s, _ in weighed.posterior.suspects if len(s.hypotheses) == 1 and s.exact]
    leading = sorted([*scored, good], key=lambda s: -s.score)[:count]
    made = []
    for one in leading:
        around = one.spread.factor @ one.spread.factor.T
        own = replace(weighed.observed, phases=one.phases)
        if own.phases is not None:
            own = replace(own, phases=own.phases.within(np.diag(around)))
        made.append(Target(one, weighed.found, own, bench))
    return made


@dataclass(frozen=True)
class Lines:
    """Straight lines about the unit that fits best, and the sizes that they make likely.

    Attributes
    ----------
    scored : Scored
        With its evidence by these lines alone.
    sensitivities : (p, m) array
    offset : (m,) array
        As in `diagnose.inference.relinearise`.
    noise : Covariance
        Of all that is no deviation.
    """

    scored: Scored
    sensitivities: Array
    offset: Array
    noise: Covariance


def lines(target: Target, bench: Bench) -> Lines:
    """Straight lines drawn where the readings want them, or as near as a unit works.

    Parameters
    ----------
    bench : Bench
        One that remembers knows the first of them from the ranking.
    """
    found, observed = target.found, target.observed
    deviations = np.zeros(len(found.spreads))
    scored, made = target.scored, None
    for _ in range(ROUNDS):
        place = notch(scored)
        (answer,) = sensitivities_at(
            found.stage, found.readings, [target.unit(place, deviations)], found.spreads,
            bench,
        )
        if answer is None:
            break
        row, moves = answer
        noise = target.noise(row, target.shifts(np.array([place]))[0])
        around = Covariance.of(moves.T @ moves + noise)
        nearest = int(np.argmin(np.abs(scored.places[:, 0] - place))) if target.sized else 0
        offset = differences(row, scored.predicted[nearest], observed.readings) - deviations @ moves
        scored = rescored(scored, around, observed, offset)
        made = Lines(scored, moves, offset, Covariance.of(noise))
        residual = supposed(observed, scored.predicted[scored.best] + offset, around)
        wanted = moves @ np.linalg.solve(around.factor @ around.factor.T, residual)
        wanted = np.clip(wanted, -_STEP, _STEP)
        if float(np.abs(wanted - deviations).max()) < _NEAR:
            break
        deviations = wanted
    assert made is not None
    return made


@dataclass(frozen=True)
class Sampled:
    """An estimate of evidence.

    Attributes
    ----------
    log_evidence : float
    error : float
        Standard error of it, nat.
    effective : float
        Effective number of draws, (Σ w)² / Σ w².
    count : int
        Draws.
    logs : (n,) array
        Logarithm of every draw's weight.
    places, scales : (n,) array
        Where they were.
    deviations : (n, p) array
    """

    log_evidence: float
    error: float
    effective: float
    count: int
    logs: Array
    places: Array
    scales: Array
    deviations: Array

    def reweighted(self, more: Array) -> float:
        """Evidence under another prior, whose logarithm exceeds this one's by `more`, (n,)."""
        return _log_mean(self.logs + more)


def sampled(
    target: Target, drawn: Lines, count: int, random: np.random.Generator,
    wide: Sequence[tuple[float, float]] = WIDE,
) -> Sampled:
    """Evidence by importance sampling.

    Parameters
    ----------
    drawn : Lines
        Where draws are made.
    wide : sequence of (float, float)
        As `WIDE`; where a few readings bend much, draws far out count.
    """
    places, log_place = _places(target, drawn.scored, count, random)
    grid = drawn.scored.predicted + drawn.offset
    rows = np.array([np.interp(places, drawn.scored.places[:, 0], c) for c in grid.T]).T \
        if target.sized else np.repeat(grid[:1], count, axis=0)
    noise = drawn.noise.factor @ drawn.noise.factor.T
    total = Covariance.of(drawn.sensitivities.T @ drawn.sensitivities + noise)
    wanted = np.array([supposed(target.observed, row, total) for row in rows])
    basis = np.linalg.svd(drawn.sensitivities, full_matrices=False)[0]
    seen = basis.T @ drawn.sensitivities
    best = np.abs(rows - grid[drawn.scored.best]).sum(axis=1).argmin()
    shares, ways = _ways(target, seen, noise, wanted[int(best)], wide)
    which = random.choice(len(ways), size=count, p=shares)
    scales, along = np.ones(count), np.zeros((count, len(seen)))
    for k, way in enumerate(ways):
        mine = which == k
        scales[mine], along[mine] = way.drawn(wanted[mine], random)
    root = np.sqrt(scales)[:, None]
    # across what the readings see, from the prior, which cancels
    free = random.normal(size=(count, len(drawn.sensitivities))) / root
    deviations = free + (along - free @ basis) @ basis.T
    logs = [math.log(share) + way.log_density(wanted, scales, along)
            for share, way in zip(shares, ways, strict=True)]
    log_proposal = np.logaddexp.reduce(logs, axis=0) + log_place
    log_prior = (
        _log_normal((along**2).sum(axis=1), np.zeros(count), scales, len(seen))
        + stats.gamma.logpdf(scales, FREEDOM / 2.0, scale=2.0 / FREEDOM)
        + target.log_prior_of_place(places)
    )
    weights = target.log_likelihoods(places, scales, deviations) + log_prior - log_proposal
    top = float(weights.max())
    mass = np.exp(weights - top)
    effective = float(mass.sum() ** 2 / (mass**2).sum())
    error = float(mass.std(ddof=1) / (mass.mean() * math.sqrt(count)))
    return Sampled(_log_mean(weights), error, effective, count, weights, places, scales, deviations)


@dataclass(frozen=True)
class _Way:
    """A way to draw the scale, and deviations along what the readings see, given residuals.

    Attributes
    ----------
    gain : (r, m) array
        Residuals to the mean of the deviations.
    axes : (r, r) array
        Columns: principal axes of their posterior.
    sigma : (r,) array
        Their standard deviations.
    total : Covariance
        Of the readings.
    """

    gain: Array
    axes: Array
    sigma: Array
    total: Covariance

    def _gamma(self, wanted: Array) -> tuple[float, Array]:
        """Shape and rate of the posterior of the scale."""
        return (FREEDOM + wanted.shape[1]) / 2.0, (FREEDOM + self.total.squares(wanted)) / 2.0

    def drawn(self, wanted: Array, random: np.random.Generator) -> tuple[Array, Array]:
        """Scales (n,) and deviations (n, r) for residuals (n, m)."""
        shape, rate = self._gamma(wanted)
        scales = random.gamma(shape, 1.0 / rate)
        normal = random.normal(size=(len(wanted), len(self.sigma))) * self.sigma
        return scales, wanted @ self.gain.T + (normal @ self.axes.T) / np.sqrt(scales)[:, None]

    def log_density(self, wanted: Array, scales: Array, along: Array) -> Array:
        """Logarithm of the density of such draws, (n,)."""
        shape, rate = self._gamma(wanted)
        apart = (along - wanted @ self.gain.T) @ self.axes / self.sigma
        determinant = np.full(len(scales), 2.0 * np.log(self.sigma).sum())
        normal = _log_normal((apart**2).sum(axis=1), determinant, scales, len(self.sigma))
        return np.asarray(stats.gamma.logpdf(scales, shape, scale=1.0 / rate) + normal)


def _ways(
    target: Target, seen: Array, noise: Array, wanted: Array,
    widths: Sequence[tuple[float, float]],
) -> tuple[Array, list[_Way]]:
    """Ways to draw and their shares: all readings as they are, or one misread; narrow and wide.

    Parameters
    ----------
    seen : (r, m) array
        What deviations along the directions that the readings see move.
    wanted : (m,) array
        Residuals of the best size.
    """
    plain = np.flatnonzero(target.observed.signs == 0.0)
    slipped = [noise]
    for k, slip in zip(plain, target.slips, strict=True):
        one = noise.copy()
        one[k, k] += slip**2
        slipped.append(one)
    totals = [Covariance.of(seen.T @ seen + one) for one in slipped]
    squares = np.array([float(t.squares(wanted[None])[0]) for t in totals])
    logs = log_student(squares, np.array([t.log_determinant for t in totals]), len(wanted))
    logs += np.log(np.append(1.0 - tails().misread,
                             np.full(len(plain), tails().misread / max(len(plain), 1))))
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    few = np.argsort(-chance)[:_KINDS]
    chance = 0.8 * chance[few] / chance[few].sum() + 0.2 / len(few)
    shares, ways = [], []
    for share, k in zip(chance, few, strict=True):
        precise = seen @ np.linalg.inv(slipped[k])
        values, axes = np.linalg.eigh(np.eye(len(seen)) + precise @ seen.T)
        posterior = (axes / values) @ axes.T
        for wide, of_width in widths:
            # where the readings say nothing the prior is not widened
            sigma = (1.0 + (wide - 1.0) * (1.0 - 1.0 / values)) / np.sqrt(values)
            shares.append(share * of_width)
            ways.append(_Way(posterior @ precise, axes, sigma, totals[k]))
    return np.array(shares) / sum(shares), ways


def _log_normal(squares: Array, log_determinants: Array, scales: Array, size: int) -> Array:
    """Logarithm of a normal density of `size` readings whose variances are divided by `scales`."""
    return np.asarray(0.5 * size * np.log(scales / (2.0 * math.pi)) - 0.5 * log_determinants
                      - 0.5 * scales * squares)


def _log_mean(logs: Array) -> float:
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).mean()))


def _places(
    target: Target, scored: Scored, count: int, random: np.random.Generator
) -> tuple[Array, Array]:
    """Sizes drawn about those that lines make likely, and the logarithm of their density."""
    if not target.sized:
        return np.zeros(count), np.zeros(count)
    grid = scored.places[:, 0]
    edges = np.concatenate([grid[:1], (grid[:-1] + grid[1:]) / 2.0, grid[-1:]])
    prior = scored.cells(scored.places)
    flat = scored.weights**0.8
    # neighbours share, so that a grid's sharpest point is not all that is drawn
    spread = np.convolve(flat, [0.25, 0.5, 0.25], mode="same")
    mass = (1.0 - _PRIOR) * spread / spread.sum() + _PRIOR * prior
    mass /= mass.sum()
    which = random.choice(len(mass), size=count, p=mass)
    places = edges[which] + random.uniform(size=count) * np.diff(edges)[which]
    return places, np.log(mass[which] / np.diff(edges)[which])

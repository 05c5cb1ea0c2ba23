"""Which reading to take next: the one that is expected to tell most for its effort.

For every reading that a bench could still take: simulate it on units that the readings so far
allow, and work out by how much its value is expected to narrow down what would be repaired
(de Kleer and Williams 1987: the next measurement by expected entropy). Good parts' tolerances
that the readings taken have told already are not counted twice: what a reading may be is
conditional on them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from circuits.cautions import reading_text
from circuits.hazards import hazards
from circuits.reading import Reading, compared, from_compared, instrument, shown
from diagnose.advice.candidates import candidates, distortion, effort, effort_text, pasted
from diagnose.advice.information import Mixture, Outlook, Stretch, entropy, outlook, stretches
from diagnose.advice.next_reading import Meaning, NextReading
from diagnose.advice.open_tests import open_tests, standing, taken_how
from diagnose.advice.posterior_draws import Units, drawn
from diagnose.inference.by_stage import by_stage
from diagnose.inference.groups import Member
from diagnose.inference.infer import Weighing
from diagnose.inference.likelihood import Array, Observed, covariance_around
from diagnose.inference.model_error import error_of, model_errors
from diagnose.inference.other_loads import doubt
from diagnose.inference.posterior import Posterior
from diagnose.inference.screen import SHIFT_DOUBT, good_units
from diagnose.inference.unmodelled import BROAD
from diagnose.sheet.entry import OPEN, RESISTANCE
from faultlib.signature import Signatures, Stepwise, differences, named
from faultlib.simulate import Bench, Variant, is_late

SLIGHT = 0.01
"""Bits below which a reading is not worth proposing."""
MOST = 5
"""Readings of a short list."""
_ALIKE = 2
"""Of one quantity so many stand in a short list."""
_SUSPECTED = 0.05
"""A stage of a unit less probable than this is not probed next."""
_FAINT = -40.0
"""dB under the generator where a probe on the signal's way finds little to read."""
_MOVED = 0.02
"""Probability that may lie between a limit and what is written of it."""
_BROAD = BROAD[1:]
"""Parts of the mean square shift for one reading, less the narrowest, which hardly
differs from health (judgement)."""


def next_readings(
    weighed: Weighing, progress: Stepwise | None = None, costly: bool = False
) -> tuple[NextReading, ...]:
    """Readings worth taking next of a unit that was weighed, the best for its effort first.

    Parameters
    ----------
    costly : bool
        Whether distortion at the usual drive is among them, which takes long to simulate.
    """
    stage, observed = weighed.case.stage, weighed.observed
    taken = [m.reading for m in weighed.case.readings]
    shares = by_stage(stage, weighed.posterior.suspects)
    within = [name for name, p in shares if p >= _SUSPECTED]
    beside = bool(observed.channels)
    faults = _by_fault(weighed.posterior)
    suspected = {part for (part, _), p in faults.items() if p >= _SUSPECTED}
    read = [(m.reading, m.value, float(x))
            for m, x in zip(weighed.used, weighed.found.healthy, strict=False)]
    readings = [candidates(stage, taken, weighed.bench, within, beside, suspected)]
    if standing(stage, read):
        # nobody drives an output, and a load on it, where direct voltage stands
        readings = [tuple(r for r in readings[0] if not {"driven", "square"} & {*r.about.caution})]
        costly = False
    keys = {reading.key() for reading in taken}
    further = open_tests(stage, read, faults, _SUSPECTED)
    readings.append(tuple(r for r in further if r.key() not in keys))
    if costly:
        readings.append(distortion(stage, taken))
    return advise(weighed.found, observed, weighed.posterior, weighed.members, readings,
                  weighed.bench, progress)


def _by_fault(posterior: Posterior) -> dict[tuple[str, str], float]:
    """How probable every fault is, alone or with another."""
    made: dict[tuple[str, str], float] = {}
    for scored, p in posterior.suspects:
        for h in scored.hypotheses:
            made[h.part, h.mode.name] = made.get((h.part, h.mode.name), 0.0) + p
    return made


def advise(
    found: Signatures,
    observed: Observed,
    posterior: Posterior,
    members: Sequence[Member],
    readings: Sequence[Sequence[Reading]],
    bench: Bench,
    progress: Stepwise | None = None,
) -> tuple[NextReading, ...]:
    """Readings worth taking next, the best for its effort first.

    Parameters
    ----------
    members : sequence of Member
        The live suspects with their groups.
    readings : sequence of sequences of Reading
        Not taken yet. Those of one sequence are simulated together, and a unit that does not
        give one of them gives none.
    bench : Bench
        Takes readings of one channel.

    Returns
    -------
    tuple of NextReading
        Those above `SLIGHT` bits; empty where no healthy unit can be simulated with them.
    """
    units = drawn(posterior, members, observed, found.healthy)
    if float(entropy(units.shares())) < SLIGHT:
        return ()  # nothing can tell more than what is not known yet
    proposed: list[tuple[float, NextReading]] = []
    for together in readings:
        if together:
            proposed += _weighed(together, found, observed, units, bench, progress)
    proposed.sort(key=lambda item: -item[0])
    return tuple(item for _, item in proposed)


def short(proposed: Sequence[NextReading], most: int = MOST) -> tuple[NextReading, ...]:
    """The first few, not more than two of one sort."""
    kept: list[NextReading] = []
    for item in proposed:
        if sum(_sort(k) == _sort(item) for k in kept) < _ALIKE:
            kept.append(item)
    return tuple(kept[:most])


def _sort(item: NextReading) -> tuple[object, ...]:
    """What a person calls one sort of reading: tracing a signal is not a gain, nor is a test."""
    said = dict(item.conditions)
    return said["quantity"], said["quantity"] == "gain" and "at" in said, "state" in said


def _weighed(
    readings: Sequence[Reading],
    found: Signatures,
    observed: Observed,
    units: Units,
    bench: Bench,
    progress: Stepwise | None,
) -> list[tuple[float, NextReading]]:
    mixtures = predictive(readings, found, observed, units, bench, progress)
    about = hazards(found.stage)
    proposed_readings: list[tuple[float, NextReading]] = []
    for reading, mixture in zip(readings, mixtures, strict=False):  # none without a healthy unit
        good = float(mixture.centres[-1])
        if reading.at and reading.quantity == "gain" and good < _FAINT:
            continue
        seen = outlook(mixture, len(units.named))
        means = _meanings(reading, seen, units) if seen.bits >= SLIGHT else ()
        if len(means) > 1:  # what means the same whatever is read decides nothing
            proposed = NextReading(
                reading.label(), seen.bits, effort_text(reading), reading_text(about, reading),
                pasted(reading), taken_how(reading), means,
                None if good >= mixture.most else _written(_value(reading, good), 3),
            )
            proposed_readings.append((seen.bits / effort(reading), proposed))
    return proposed_readings


def predictive(
    readings: Sequence[Reading],
    found: Signatures,
    observed: Observed,
    units: Units,
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[Mixture]:
    """What each of some readings may be, given those taken.

    Parameters
    ----------
    readings : sequence of Reading
        Not taken yet; one simulation of every unit takes them all.

    Returns
    -------
    list of Mixture
        One a reading, its last components a fault outside the library; empty where the healthy
        unit could not be simulated with these readings.
    """
    healthy, sensitivities, values = _simulated(readings, found, units, bench, progress)
    if np.isnan(healthy).any():
        return []
    good = ~np.isnan(values).any(axis=1)
    if not good.any():
        return []
    # a bound has chosen among the units drawn; it is no value that another reading follows
    plain = np.flatnonzero(observed.signs == 0.0).tolist()
    seen, known = observed.some(plain), found.some(plain)
    gain, left = _conditional(readings, healthy, sensitivities, known, seen)
    centres = values[good] + _damped(units.residuals[good][:, plain], known, seen) @ gain.T
    weights = units.weights[good] / units.weights[good].sum() * (1.0 - units.unmodelled)
    freedom, _ = model_errors()
    mixtures = []
    for k, reading in enumerate(readings):
        error = error_of(reading)
        shift = values[good, k] - healthy[k]
        grown = (error.relative**2) * (values[good, k] ** 2 - healthy[k] ** 2)
        variance = left[k] + np.maximum(grown, 0.0) + (SHIFT_DOUBT * shift) ** 2
        variance = variance + doubt(reading, found.stage) ** 2
        scale = np.sqrt(variance + instrument(reading, values[good, k]) ** 2)
        own = left[k] + doubt(reading, found.stage) ** 2
        own += float(instrument(reading, healthy[k : k + 1])[0]) ** 2
        far = float(np.mean(shift**2))
        broad = [math.sqrt(own + share * far) for share in _BROAD]
        most = compared(reading, OPEN) if reading.quantity == RESISTANCE else math.inf
        mixtures.append(Mixture(
            np.concatenate([weights, np.full(len(_BROAD), units.unmodelled / len(_BROAD))]),
            np.concatenate([centres[:, k], np.full(len(_BROAD), healthy[k])]),
            np.concatenate([scale, broad]),
            np.concatenate([units.answers[good], np.full(len(_BROAD), len(units.named) - 1)]),
            freedom,
            most,
        ))
    return mixtures


def _simulated(
    readings: Sequence[Reading],
    found: Signatures,
    units: Units,
    bench: Bench,
    progress: Stepwise | None,
) -> tuple[Array, Array, Array]:
    """Readings of a good unit (k,), their change with its parts (p, k), and of every unit (n, k).

    With the power off no device conducts and no supply feeds: of a good unit's deviations only
    those of values are simulated for an ohmmeter.
    """
    healthy = np.full(len(readings), np.nan)
    sensitivities = np.zeros((len(found.spreads), len(readings)))
    values = np.full((len(units.variants), len(readings)), np.nan)
    distinct = list(dict.fromkeys(units.variants))
    row = {variant: k for k, variant in enumerate(distinct)}
    for off in (False, True):
        columns = [k for k, r in enumerate(readings) if (r.quantity == "resistance") == off]
        if not columns:
            continue
        moving = [k for k, s in enumerate(found.spreads)
                  if not off or s.what in ("value", "position")]
        moved = [Variant((), ((found.spreads[k], 1.0),)) for k in moving]
        mine = [readings[k] for k in columns]
        answer = bench.values(
            found.stage, [Variant(), *moved, *distinct], mine,
            named(progress, "readings to take next"),
        )
        # with good parts that came too late a reading would look surer than it is
        healthy[columns] = math.nan if is_late(answer) else answer.values[0]
        sensitivities[np.ix_(moving, columns)] = differences(
            answer.values[1 : len(moved) + 1], answer.values[0], mine)
        values[:, columns] = answer.values[len(moved) + 1 :][[row[v] for v in units.variants]]
    return healthy, sensitivities, values


def _conditional(
    readings: Sequence[Reading],
    healthy: Array,
    sensitivities: Array,
    found: Signatures,
    observed: Observed,
) -> tuple[Array, Array]:
    """How the readings taken move what is expected of the others, and what variance they leave.

    Returns
    -------
    gain : (k, m) array
    left : (k,) array
        Of good parts and the model's error, without the instrument.
    """
    count = len(observed.readings)
    both = replace(
        observed,
        readings=(*observed.readings, *readings),
        values=np.concatenate([observed.values, healthy]),
        # what a further reading is expected to be has no instrument in it yet
        bench=np.concatenate([observed.bench, np.zeros(len(readings))]),
        bounds=(*observed.bounds, *("" for _ in readings)),
        channels=(*observed.channels, *(0 for _ in readings)) if observed.channels else (),
    )
    level = np.concatenate([found.healthy, healthy])
    together = covariance_around(both, level, np.hstack([found.sensitivities, sensitivities]))
    known, cross = good_units(found, observed), together[count:, :count]
    gain = np.linalg.solve(known, cross.T).T
    left = np.diag(together)[count:] - (gain * cross).sum(axis=1)
    return np.asarray(gain), np.maximum(left, 1e-12)


def _damped(residuals: Array, found: Signatures, observed: Observed) -> Array:
    """Residuals no longer than a healthy unit's would be.

    The gain holds near the healthy operating point; a unit far from it has other lines, and its
    long residuals must not move what is expected of the next reading.
    """
    known = good_units(found, observed)
    squares = (residuals * np.linalg.solve(known, residuals.T).T).sum(axis=1)
    limit = math.sqrt(len(observed.readings))
    return np.asarray(residuals * np.minimum(1.0, limit / np.sqrt(squares + 1e-12))[:, None])


def _meanings(reading: Reading, seen: Outlook, units: Units) -> tuple[Meaning, ...]:
    """What each answer of the meter would mean, in the unit shown."""
    ranges = stretches(seen)
    if len(ranges) == 1:
        return _for_or_against(reading, seen, units)
    return tuple(_meaning(reading, part, units, seen) for part in ranges)


def _meaning(reading: Reading, part: Stretch, units: Units, seen: Outlook) -> Meaning:
    names = tuple(dict.fromkeys(units.named[k].name for k in part.answers))
    return Meaning(
        _shown(reading, part.low, seen), _shown(reading, part.high, seen), reading.unit, names,
        part.probability,
    )


def _for_or_against(reading: Reading, seen: Outlook, units: Units) -> tuple[Meaning, ...]:
    """One answer leads whatever is read: where it gains, and where it loses."""
    lead = int(np.argmax(seen.weights @ seen.posterior))
    share = seen.posterior[:, lead]
    two = np.column_stack([share - float(seen.weights @ share) + 0.5,
                           float(seen.weights @ share) - share + 0.5])
    cut = stretches(replace(seen, posterior=two), named=1)
    name = units.named[lead].name
    meanings = []
    for part in cut:
        inside = (seen.values >= part.low) & (seen.values <= part.high)
        chance = float(seen.weights[inside] @ share[inside] / seen.weights[inside].sum())
        still = part.answers[0] == 0
        word = f"still {name}" if still else f"points away from {name}"
        chance = chance if still else 1.0 - chance
        meanings.append(Meaning(_shown(reading, part.low, seen), _shown(reading, part.high, seen),
                            reading.unit, (word,), chance))
    return tuple(meanings)


def _shown(reading: Reading, x: float, seen: Outlook) -> float | None:
    """A limit in the unit shown, as a person would write it; None where a range is open.

    With so few digits, two at least, that hardly any value it may have changes sides.
    """
    if not math.isfinite(x):
        return None
    exact = _value(reading, x)
    for digits in (2, 3, 4):
        value = _written(exact, digits)
        there = compared(reading, value / 100.0 if reading.unit == "%" else value)
        between = (seen.values > min(x, there)) & (seen.values <= max(x, there))
        if float(seen.weights[between].sum()) <= _MOVED:
            return value
    return exact


def _value(reading: Reading, x: float) -> float:
    return shown(reading, from_compared(reading, x))


def _written(value: float, digits: int) -> float:
    """A number with so many digits."""
    return float(f"{value:.{digits}g}")

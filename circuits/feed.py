"""What feeds a rail that a stage file gives by its figures: a supply that yields these in health.

From volts, ripple and the current of the healthy unit follows an equivalent winding, rectifier and
reservoir (`circuits.rectifier`): the lowest line of the ripple over the mains frequency tells
half-wave from full-wave, its size the reservoir (RMS of the lowest line of a sawtooth is 1 / π√2
of what it measures peak to peak), and a resistance of winding and mains is the usual one for what
the rail gives at most (``feed.yaml``), of which the rail's own `resistance` is a part. All lines of
the ripple then rise and fall together.

A rail without ripple, or with hardly any, is regulated or smoothed behind something larger: it does
not follow its load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path

import yaml

from circuits.rectifier import SWING_OF_LINE, Rectifier, chosen
from circuits.stage import Feed as Feed
from circuits.stage import Lines, Rail

_SIGNIFICANT = 0.3
"""Of the largest line of ripple: a smaller one is a trace of halves that differ."""
_APART = 0.1
"""How near a line lies to a multiple of the mains frequency, relative to that frequency."""
_A_DECADE, _DECADES = 12, 3
"""Currents at which a rectifier is worked out once: points a decade, and decades below and above
the healthy one."""
_LINES = 10
"""Multiples of its frequency that charging current is told at."""
_LEAST_SHARE = 1e-3
"""Of the load's resistance: winding and mains have at least so much."""


@dataclass(frozen=True)
class Feeding:
    """The numbers of ``feed.yaml``."""

    regulation: float
    regulation_sigma: float
    stiff: float
    others: float
    others_sigma: float
    reading_sigma: float
    reading_alone: float
    unknown_amps: float
    unknown_swing: float


@cache
def feeding() -> Feeding:
    """What is taken of rails that are given by their figures."""
    path = Path(__file__).with_name("feed.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return Feeding(
        raw["regulation"]["share"], raw["regulation"]["sigma"], raw["stiff"],
        raw["others"]["share"], raw["others"]["sigma"],
        raw["reading"]["sigma"], raw["reading"]["alone"],
        raw["unknown rectifier"]["amps"], raw["unknown rectifier"]["swing"],
    )


def pulses(rail: Rail, mains: float) -> int:
    """How often a cycle the rectifier behind a rail conducts; 0 for a rail that is stiff.

    Parameters
    ----------
    rail : Rail
        As drawn.
    mains : float
        Hz.
    """
    if rail.supply is not None or not rail.ripple or not rail.volts:
        return 0
    frequency, level = _lowest(rail)
    if SWING_OF_LINE * level < feeding().stiff * abs(rail.volts):
        return 0
    order = frequency / mains
    return round(order) if round(order) in (1, 2) and abs(order - round(order)) < _APART else 0


def _lowest(rail: Rail) -> tuple[float, float]:
    """Frequency and RMS of the lowest line that is no trace, Hz and V; 0 V without ripple."""
    largest = max(level for _, level in rail.ripple)
    lines = [(f, level) for f, level in rail.ripple if level >= _SIGNIFICANT * largest]
    return min(lines)


def fed(rail: Rail, mains: float, amps: float, most: float, others: float) -> Feed | None:
    """What feeds a rail as drawn.

    Parameters
    ----------
    rail : Rail
        As drawn.
    mains : float
        Hz.
    amps : float
        What the healthy unit takes at rest, A.
    most : float
        What it takes at most, driven.
    others : float
        What else hangs on the rail, over `amps`, as far as it is known; the rail's own `others`
        multiplies the rest.

    Returns
    -------
    Feed or None
        None for a rail that does not follow its load.
    """
    if amps <= 0.0:
        return None
    if rail.supply is not None:
        return Feed(abs(rail.volts), amps)
    count = pulses(rail, mains)
    if not count:
        return None
    swing = SWING_OF_LINE * _lowest(rail)[1]
    return Feed(abs(rail.volts), amps, swing, max(most, amps), mains, count, others)


def equivalent(rail: Rail) -> Rectifier:
    """The equivalent supply of a rail that has a `feed` and no supply of its own."""
    feed = rail.feed
    assert feed is not None
    usual = feeding().regulation * rail.regulation * feed.volts / feed.most
    ohms = max(usual - rail.resistance, _LEAST_SHARE * feed.volts / feed.most)
    total = feed.amps * (1.0 + _others(rail, feed))
    return _equivalent(feed.volts, feed.swing, total, ohms, feed.mains, feed.pulses)


@lru_cache(maxsize=64)
def _equivalent(
    volts: float, swing: float, amps: float, ohms: float, mains: float, count: int
) -> Rectifier:
    return chosen(volts, swing, amps, ohms, mains, count)


def loading(rail: Rail, amps: float) -> float:
    """What the equivalent supply of a rail gives where a unit draws `amps`, A: see `follows`."""
    feed = rail.feed
    assert feed is not None
    scale = feed.volts / max(abs(rail.volts), 1e-9)
    return amps * scale + feed.amps * _others(rail, feed)


def follows(rail: Rail, amps: float, ohms: float = 0.0) -> tuple[float, float]:
    """What becomes of a rail when a unit draws another current, over the healthy unit's.

    A rail that is low, as a fault or the spread of good units has it, is one on a lower e.m.f., so
    that all is as with the current that much higher.

    Parameters
    ----------
    rail : Rail
        With a `feed`, its volts and ripple those that it has at the healthy current.
    amps : float
        A.
    ohms : float
        In the mains lead, as the winding sees them.

    Returns
    -------
    volts, ripple : float
        Both over what they are at the healthy current; less than nothing is left of the voltage
        where more is asked for than a winding gives.
    """
    feed = rail.feed
    assert feed is not None
    source = equivalent(rail)
    total, others = loading(rail, amps), feed.amps * _others(rail, feed)
    if ohms:
        mean, swing = replace(source, ohms=source.ohms + ohms).at(total)
    else:
        mean, swing = _between(source, feed.amps + others, total)
    return mean / feed.volts, swing / feed.swing


def _between(made: Rectifier, usual: float, amps: float) -> tuple[float, float]:
    """`Rectifier.at` read between currents on a scale that many units share, a dozen a decade."""
    place = _A_DECADE * math.log10(max(amps, 1e-30) / usual)
    below = math.floor(place)
    if below < -_DECADES * _A_DECADE:
        first, low = 0.0, (made.emf, 0.0)
        second, high = _known(made, usual, -_DECADES * _A_DECADE)
    elif below >= _DECADES * _A_DECADE:
        return made.at(amps)
    else:
        first, low = _known(made, usual, below)
        second, high = _known(made, usual, below + 1)
    share = (amps - first) / (second - first)
    return low[0] + share * (high[0] - low[0]), low[1] + share * (high[1] - low[1])


@lru_cache(maxsize=4096)
def _known(made: Rectifier, usual: float, step: int) -> tuple[float, tuple[float, float]]:
    amps = usual * 10.0 ** (step / _A_DECADE)
    return amps, made.at(amps)


@lru_cache(maxsize=256)
def charging(rail: Rail, mains: float) -> Lines:
    """What the rectifier behind a rail feeds its reservoir with, A RMS by Hz.

    A stiff rail hangs on a rectifier that feeds the whole unit: nobody knows what of its current
    passes by this stage, and a usual share and ripple are taken (``feed.yaml``).

    Parameters
    ----------
    rail : Rail
        At what the unit draws, as far as that is known.
    mains : float
        Hz.
    """
    old = rail.unloaded or rail
    feed, about = old.feed, feeding()
    if feed is not None and feed.pulses:
        made = equivalent(old)
        own = rail.gives if rail.unloaded is not None else feed.amps
        amps, count = own + feed.amps * _others(old, feed), feed.pulses
    else:
        amps = max(rail.gives, feed.amps if feed is not None else 0.0, about.unknown_amps)
        volts = max(abs(old.volts), 1.0)
        count = _pulses_drawn(old, mains)
        made = _equivalent(volts, about.unknown_swing * volts, amps,
                           about.regulation * volts / amps, mains, count)
    levels = made.lines(amps, _LINES)
    return tuple((mains * count * (k + 1), level) for k, level in enumerate(levels))


def _pulses_drawn(rail: Rail, mains: float) -> int:
    if rail.supply is not None:
        return 1 if rail.supply.rectifier == "half-wave" else 2
    if not any(level for _, level in rail.ripple):
        return 2
    return 1 if round(_lowest(rail)[0] / mains) == 1 else 2


def _others(rail: Rail, feed: Feed) -> float:
    return feed.others + feeding().others * rail.others


def strays(rail: Rail, amps: float) -> float:
    """How far a current lies from the healthy unit's on that rail's volts, relative to it."""
    feed = rail.feed
    assert feed is not None
    return amps * feed.volts / (feed.amps * max(abs(rail.volts), 1e-9)) - 1.0


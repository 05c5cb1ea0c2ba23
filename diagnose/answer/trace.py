"""Signal tracing in a unit of several stages: between which two points the trouble starts.

The same quantity read at successive points is right up to some point and wrong from the next one
on. This is what a technician does first; the ranking does not need it (it weighs all readings
together), but it says so in words, and it sums the suspects of every stage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.chain import Chain
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.likelihood import Array, Observed, covariance_around

WRONG = 3.0
"""A reading is wrong this many standard deviations off what good units of this kind show."""


@dataclass(frozen=True)
class Section:
    """One reading as a stretch of the signal's way.

    Attributes
    ----------
    start, end : float
        Points: 0 is the input of the unit, k the output of its k-th stage, k − ½ inside it.
    begins, ends : str
        Their nodes.
    wrong : bool
        Whether the reading lies off.
    """

    reading: Reading
    start: float
    end: float
    begins: str
    ends: str
    wrong: bool

    @property
    def kind(self) -> tuple[str, float, float, int]:
        """Two readings with the same are the same quantity at two points."""
        r = self.reading
        return r.quantity, r.frequency, r.reference, r.order


def off(observed: Observed, healthy: Array, sensitivities: Array) -> Array:
    """How far readings are from those of a good unit, in standard deviations of good units.

    Parameters
    ----------
    observed : Observed
        m readings of one channel.
    healthy : (m,) array
        Compared scale.
    sensitivities : (p, m) array
        Of the good parts.

    Returns
    -------
    (m,) array
    """
    sigma = np.sqrt(np.diag(covariance_around(observed, healthy, sensitivities, twins=False)))
    return np.asarray(np.abs(observed.departures(healthy)) / sigma)


def traced(stage: Stage, readings: Sequence[Reading], deviations: Array) -> tuple[str, ...]:
    """What tracing the signal tells, in words; nothing for a single stage.

    Parameters
    ----------
    readings : sequence of m Reading
    deviations : (m,) array
        See `off`.
    """
    if stage.chain is None:
        return ()
    whole = [k for k, reading in enumerate(readings) if not reading.state.altered]
    readings = [readings[k] for k in whole]
    wrong = [bool(deviations[k] > WRONG) for k in whole]
    sections = [
        _section(stage, stage.chain, reading, bad)
        for reading, bad in zip(readings, wrong, strict=True)
        if reading.about.follows
    ]
    return (*_along(sections), *_at_rest(stage.chain, readings, wrong))


def _section(stage: Stage, chain: Chain, reading: Reading, wrong: bool) -> Section:
    begins = reading.origin or stage.input
    ends = reading.at or stage.output
    start = _point(chain, begins) if reading.origin else 0.0
    return Section(reading, start, _point(chain, ends), begins, ends, wrong)


def _point(chain: Chain, node: str) -> float:
    for k, joint in enumerate(chain.joints, start=1):
        if node == joint.input:
            return float(k)
    for k, (_, output) in enumerate(chain.members, start=1):
        if node == output:
            return float(k)
    owner = chain.owner(node)
    # a supply lies beside the signal's way: it feeds all of it
    return chain.names.index(owner) + 0.5 if owner in chain.names else 0.0


def _along(sections: Sequence[Section]) -> list[str]:
    kinds: dict[tuple[str, float, float, int], list[Section]] = {}
    for section in sections:
        kinds.setdefault(section.kind, []).append(section)
    told: dict[str, list[str]] = {}
    for (name, *_), members in kinds.items():
        if len({(s.start, s.end) for s in members}) > 1:
            told.setdefault(_told(members), []).append(name)
    # what is wrong comes first, and is all that is said where anything is
    bad = {text: names for text, names in told.items() if text != _RIGHT}
    return [
        f"signal tracing by {', '.join(dict.fromkeys(names))}: {text}"
        for text, names in (bad or told).items()
    ]


_RIGHT = "as it should be at every point read"


def _told(sections: Sequence[Section]) -> str:
    """Where one quantity goes wrong, from its readings at several points."""
    wrong = [s for s in sections if s.wrong]
    if not wrong:
        return _RIGHT
    # the earliest end, and of several readings up to there the shortest stretch
    first = min(wrong, key=lambda s: (s.end, -s.start))
    reached, name = first.start, first.begins if first.reading.origin else ""
    for section in sorted((s for s in sections if not s.wrong), key=lambda s: s.end):
        if section.start <= reached < section.end < first.end:
            reached, name = section.end, section.ends
    text = f"as it should be up to {name}, wrong" if name else "wrong"
    text += f" from {first.ends} on"
    if not name:
        text += ", the first point read"
    again = [s.ends for s in sections if not s.wrong and s.start < first.end < s.end]
    if again:
        text += f"; yet right at {', '.join(dict.fromkeys(again))}: repeat these readings"
    return text


def _at_rest(chain: Chain, readings: Sequence[Reading], wrong: Sequence[bool]) -> list[str]:
    """Direct voltages do not travel along a chain of coupling capacitors: each tells of its own."""
    places: dict[str, list[str]] = {}
    read: dict[str, None] = {}
    for reading, bad in zip(readings, wrong, strict=True):
        owner = chain.owner(reading.at) if reading.quantity == "dc voltage" else ""
        if owner:
            read[owner] = None
            if bad:
                places.setdefault(owner, []).append(reading.at)
    if not places:
        return []
    parts = [f"{owner} ({', '.join(nodes)})" for owner, nodes in places.items()]
    good = [owner for owner in read if owner not in places]
    right = f", and right in {', '.join(good)}" if good else ""
    return [f"direct voltages are off in {', '.join(parts)}{right}"]

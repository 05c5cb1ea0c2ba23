"""The readings that a bench could still take of a stage."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from circuits.cautions import inside
from circuits.conditions import written
from circuits.kinds import kind
from circuits.quantities import BALANCE, CROSSTALK, QUANTITIES
from circuits.reading import Reading
from circuits.stage import GROUND, Part, Stage
from diagnose.advice.open_tests import more_minutes
from diagnose.sheet.drops import drops
from diagnose.sheet.proposal import (
    HUM_LINES,
    MIDDLE_HZ,
    follows_riaa,
    is_supply,
    ripples,
    tracing,
)
from faultlib.simulate import Bench

OCTAVES_HZ = (20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 2e3, 4e3, 8e3, 16e3, 20e3)
"""The octave bands of IEC 61260 (ISO 266), 1 kHz left out as the reference, and both ends."""
IMPEDANCE_HZ = CROSSTALK_HZ = (100.0, 1e3, 10e3)
PROBED = ("dc voltage", "supply current", "ripple")
"""Quantities for which a probe reaches into a live unit."""
RISK = 2.0
"""A minute with a probe in a live unit counts as so many (judgement): a reading with the power
off that tells as much comes first."""

_MOST_PARTS = 12
"""Electrolytics and junctions that an ohmmeter is proposed across, at most, the electrolytics
first: each is simulated in every unit drawn (judgement)."""
_MOST_OWN = 4
"""Suspected parts among them."""
_BIG_FARADS = 100e-6
"""What a hand meter charges for minutes: 100 µF through some hundred kohm to a volt (judgement)."""
_MOST_TRACED = 10
"""Test points that the signal is traced at."""
_FREQUENCIES = ("response", "riaa deviation")


def candidates(
    stage: Stage,
    taken: Iterable[Reading],
    bench: Bench,
    within: Collection[str] | None = None,
    beside: bool = False,
    suspected: Collection[str] = (),
) -> tuple[Reading, ...]:
    """Every reading that is not taken yet and costs little to simulate.

    Voltages and resistances at the test points, resistances across contacts, capacitors,
    junctions and what is suspected, supply currents, gain up to the test points and the output,
    the shape of the response at octaves, impedances, hum, ripple, noise; of two channels
    crosstalk and balance.

    Parameters
    ----------
    bench : Bench
        Tells whether the stage follows the RIAA replay curve, where no reading does.
    within : collection of str, optional
        Of a unit: the stages and supplies whose points are probed; by default all.
    beside : bool
        Whether the unit's other channel is on the bench too: then the balance of both, and where
        they share anything the crosstalk.
    suspected : collection of str
        Parts that an ohmmeter is put across first.
    """
    chain = stage.chain

    def inside(name: str) -> bool:
        return chain is None or within is None or chain.owner(name) in within

    known = list(taken)
    # a voltage is known, whichever meter showed it, and a signal by whichever probe
    keys = {replace(r, meter=0.0, probe=()).key() for r in known}
    probes = [node for node, _ in stage.test_points if node != GROUND and inside(node)]
    rails = [rail for rail in stage.rails if inside(rail.name)]
    proposed = [Reading("dc voltage", at=node) for node in probes]
    proposed += [r for r, _ in drops(stage) if inside(r.at) and inside(r.origin)]
    proposed += [Reading("supply current", rail=rail.name) for rail in rails]
    signal = not is_supply(stage, bench)
    if signal:
        proposed += [reading for reading, _ in tracing(stage)]
        traced = {r.at for r in proposed if r.quantity == "gain"}
        proposed += [Reading("gain", frequency=MIDDLE_HZ, at=node) for node in _inner(stage, probes)
                 if node not in traced]
        proposed.append(Reading("gain", frequency=MIDDLE_HZ))
        proposed += _shape(stage, known, bench)
        proposed += [Reading("input impedance", frequency=f) for f in IMPEDANCE_HZ]
        if beside:
            proposed.append(Reading(BALANCE, frequency=MIDDLE_HZ))
            proposed += [Reading(CROSSTALK, frequency=f) for f in CROSSTALK_HZ if stage.shared]
    proposed += [Reading("output impedance", frequency=f) for f in IMPEDANCE_HZ]
    proposed += [Reading("hum", frequency=k * stage.mains) for k in HUM_LINES]
    proposed += [r for r in ripples(stage) if inside(r.at)]
    proposed += [Reading("noise"), Reading("noise", weighting="A")]
    parts = [part for part in stage.parts if inside(part.name)]
    proposed += [Reading("resistance", between=pair) for pair in _pairs(parts, probes, suspected)]
    free = [r for r in proposed if r.key() not in keys and not _near(r, known)]
    return tuple(r for r in free if QUANTITIES[r.quantity].simulated)


def distortion(stage: Stage, taken: Iterable[Reading]) -> tuple[Reading, ...]:
    """Distortion at the stage's usual drive, which takes much longer to simulate."""
    keys = {r.key() for r in taken}
    proposed = (Reading("thd", frequency=MIDDLE_HZ, level=level) for level in stage.signal[:1])
    return tuple(r for r in proposed if r.key() not in keys)


def effort(reading: Reading) -> float:
    """Minutes, those with a probe in a live unit counted `RISK` times."""
    about = reading.about
    minutes = about.effort + more_minutes(reading)
    probed = about.name in PROBED or (about.name == "gain" and reading.at)
    return minutes * (RISK if probed else 1.0)


def effort_text(reading: Reading) -> str:
    """As a person would say it: ``1.5 min, power off``."""
    state = ""
    if reading.quantity == "resistance":
        state = ", power off"
    elif inside(reading):
        state = ", live"
    return f"{reading.about.effort + more_minutes(reading):g} min{state}"


def pasted(reading: Reading) -> tuple[tuple[str, object], ...]:
    """A reading in the words of the bench sheet, ready to be pasted: a list where two belong."""
    words = [(key, texts[0] if len(texts) == 1 else list(texts)) for key, texts in written(reading)]
    return (("quantity", reading.quantity), *words)


def _shape(stage: Stage, known: Sequence[Reading], bench: Bench) -> list[Reading]:
    """The response at octaves, in the quantity that the sheet uses already."""
    used = [r for r in known if r.quantity in _FREQUENCIES]
    if used:
        first = used[0]
        if first.quantity == "response":
            middle = first.reference
            return [Reading("response", frequency=f, reference=middle, origin=first.origin,
                            at=first.at) for f in OCTAVES_HZ]
        riaa = True
    else:
        riaa = follows_riaa(stage, bench)
    if riaa:
        return [Reading("riaa deviation", frequency=f) for f in OCTAVES_HZ]
    return [Reading("response", frequency=f, reference=MIDDLE_HZ) for f in OCTAVES_HZ]


def _inner(stage: Stage, probes: Sequence[str]) -> list[str]:
    """Test points where a signal may be traced: neither an end of the unit nor a rail."""
    known = {stage.input, stage.output, stage.input_return, *(rail.name for rail in stage.rails)}
    return [node for node in probes if node not in known][:_MOST_TRACED]


def _near(reading: Reading, known: Sequence[Reading]) -> bool:
    """Whether a point of the same curve was read within a third of an octave."""
    if reading.quantity not in _FREQUENCIES:
        return False
    return any(
        r.quantity == reading.quantity and r.origin == reading.origin and r.at == reading.at
        and 0.79 < reading.frequency / r.frequency < 1.27
        for r in known
    )


def _pairs(
    parts: Sequence[Part], probes: Sequence[str], suspected: Collection[str]
) -> list[tuple[str, str]]:
    """Where an ohmmeter is put: test points to ground, across suspects, contacts and junctions.

    Never across a capacitor that would charge for minutes.
    """
    pairs = [(node, GROUND) for node in probes]
    pairs += [(p.nodes[0], p.nodes[1]) for p in parts if kind(p.kind).family == "contact"]
    electrolytics, junctions, own = [], [], []
    for part in parts:
        family = kind(part.kind).family
        if part.name in suspected and len(part.nodes) == 2:
            own.append((part.nodes[0], part.nodes[1]))
        if part.kind in ("electrolytic", "tantalum"):
            electrolytics.append((part.nodes[0], part.nodes[1]))
        elif family in ("bipolar", "diode"):
            # base and emitter of a transistor are its last two pins; a diode has but two
            junctions.append((part.nodes[-2], part.nodes[-1]))
    reached = {*probes, GROUND}
    # what no probe reaches is across a part that a probe does reach
    across = [p for p in own[:_MOST_OWN] + electrolytics + junctions
              if p[0] in reached or p[1] in reached]
    charged = {frozenset(p.nodes) for p in parts
               if kind(p.kind).family == "capacitor" and (p.value or 0.0) >= _BIG_FARADS}
    seen: dict[frozenset[str], tuple[str, str]] = {}
    for pair in pairs + across[:_MOST_PARTS]:
        if pair[0] != pair[1] and frozenset(pair) not in charged:
            seen.setdefault(frozenset(pair), pair)
    return list(seen.values())

"""Variants of two channels: which of them has a fault, on a divider whose answers are on paper."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.reading import Reading, least
from circuits.stage import Part, Stage
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Store
from faultlib.tolerance import MAINS, Spread
from tests.small import parallel

SOURCE, ARM, FOOT, COMMON = 1e3, 9e3, 10e3, 1e3
HEARD = Reading("crosstalk", frequency=1e3)
GAIN = Reading("gain", frequency=1e3)


def divider() -> Stage:
    """R1 and R2 in each channel, both on R3 to ground."""
    def part(name: str, a: str, b: str, ohms: float) -> Part:
        return Part(name, "carbon-film", (a, b), ohms, 0.05)

    parts = (part("R1", "in", "out", ARM), part("R2", "out", "m", FOOT),
             part("R3", "m", "0", COMMON))
    return Stage("divider", parts, source_impedance=SOURCE, shared=("R3",))


def on_paper(feet: tuple[float, float], common: float) -> float:
    """Crosstalk in dB, the foot of the idle channel first, with what wiring couples beside."""
    idle_ohms, whole = (SOURCE + ARM + foot for foot in feet)
    lower = parallel(common, idle_ohms)
    middle = lower / (whole + lower)
    driven = middle + (1.0 - middle) * feet[1] / whole
    idle = middle * (SOURCE + ARM) / idle_ohms
    return 10.0 * math.log10((idle / driven) ** 2 + 10.0 ** (least(HEARD) / 10.0))


def heard(*variants: Variant) -> list[float]:
    with Laboratory(workers=0) as bench:
        return [float(row[0]) for row in bench.values(divider(), variants, [HEARD]).values]


def up(part: str, factor: float) -> Variant:
    return Variant((Fault(part, "drift up", factor),))


def test_a_fault_is_where_its_part_is() -> None:
    """Own: in the channel that listens; in what both have: in both; beside: where it is said."""
    healthy, mine, ours, theirs = heard(
        Variant(), up("R2", 3.0), up("R3", 5.0), replace(Variant(), beside=up("R2", 3.0))
    )
    assert healthy == pytest.approx(on_paper((FOOT, FOOT), COMMON), abs=1e-3)
    assert mine == pytest.approx(on_paper((3.0 * FOOT, FOOT), COMMON), abs=1e-3)
    assert ours == pytest.approx(on_paper((FOOT, FOOT), 5.0 * COMMON), abs=1e-3)
    assert theirs == pytest.approx(on_paper((FOOT, 3.0 * FOOT), COMMON), abs=1e-3)
    assert len({round(x, 2) for x in (healthy, mine, ours, theirs)}) == 4


def test_an_open_part_of_both_is_open_in_both() -> None:
    """A fault that adds a resistance adds one, not one a channel."""
    (found,) = heard(Variant((Fault("R3", "open"),)))
    assert found == pytest.approx(on_paper((FOOT, FOOT), 1e12), abs=1e-3)


def test_a_deviation_of_what_both_have_is_in_both() -> None:
    by_five = math.log(5.0)
    shared, own = heard(
        Variant((), ((Spread("R3", "value", by_five), 1.0),)),
        Variant((), ((Spread("R2", "value", by_five), 1.0),)),
    )
    assert shared == pytest.approx(on_paper((FOOT, FOOT), 5.0 * COMMON), abs=1e-3)
    assert own == pytest.approx(on_paper((5.0 * FOOT, FOOT), COMMON), abs=1e-3)


def test_what_a_good_channel_beside_has() -> None:
    """The shared part's fault and deviation, those of a shared supply, and the mains."""
    faults = (Fault("R2", "open"), Fault("J2", "open"), Fault("vcc reservoir", "open"))
    spreads = [Spread(name, "value", 0.1) for name in ("R2", "J2", "vcc zener", MAINS)]
    other = Variant(faults, tuple((s, 1.0) for s in spreads)).shared(("J2", "vcc"))
    assert [f.part for f in other.faults] == ["J2", "vcc reservoir"]
    assert [s.target for s, _ in other.deviations] == ["J2", "vcc zener", MAINS]


def test_wiring_couples_at_least_so_much() -> None:
    """Levels add as powers: 3 dB more where both are alike, nothing far above, the least below."""
    (quiet,) = heard(Variant((Fault("R3", "short"),)))
    assert quiet == pytest.approx(least(HEARD), abs=0.3)
    assert least(replace(HEARD, frequency=10e3)) - least(HEARD) == pytest.approx(20.0)
    assert least(replace(HEARD, frequency=100.0)) == least(HEARD)
    assert least(GAIN) == -math.inf


def test_the_store_keeps_pairs_apart(tmp_path: Path) -> None:
    """By what stands beside and by what is shared; a channel alone is the same whatever is."""
    variants = [Variant(), up("R2", 3.0), replace(Variant(), beside=up("R2", 3.0)),
                replace(up("R2", 3.0), beside=Variant())]
    stage = divider()
    with Laboratory(Store(tmp_path), workers=0) as bench:
        first = bench.values(stage, variants, [HEARD])
        assert first.simulated == len(variants)
        again = bench.values(stage, variants, [HEARD])
        assert again.simulated == 0
        assert again.values.tolist() == first.values.tolist()
        alone = [Variant(), up("R2", 3.0)]
        assert bench.values(stage, alone, [GAIN]).simulated == 2
        assert bench.values(replace(stage, shared=()), alone, [GAIN]).simulated == 0
        with pytest.raises(InputError, match="share nothing"):
            bench.values(replace(stage, shared=()), [Variant()], [HEARD])


def test_labels_name_the_faults_of_both() -> None:
    assert replace(Variant(), beside=up("R2", 2.0)).label() == up("R2", 2.0).label()
    assert replace(up("R3", 2.0), beside=up("R3", 2.0)).label() == up("R3", 2.0).label()

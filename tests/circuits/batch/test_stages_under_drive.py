"""Every shipped stage at three levels: steady states of the batch against plain ngspice.

The transient run is given finer steps than a reading takes and longer to settle, since its own
error is what would be measured otherwise: of the fifth harmonic of an output stage 0.3 dB at
−99 dB with the usual steps, of a valve stage whose supply settles over seconds 0.9 dB.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.batch.engine import Many
from circuits.bench import distortion, driven
from circuits.bench.driven import Driven, Tones
from circuits.bench.engine import Engine
from circuits.bench.steps import abreast, alone
from circuits.bench.supply import resolved
from circuits.load import load_stage, stage_names
from circuits.stage import Stage

SHARES = (0.1, 0.4, 1.0)
"""Of the usual drive."""
LESS = {"valve-push-pull": (0.05, 0.1, 0.2)}
"""The same of a stage whose supply settles over seconds, which a run at its full drive would have
to last (after 400 periods there lines differ by 0.09 dB)."""
SETTLE = {"valve-single-ended": 40, "output-mosfet": 600}
"""Periods that a slow supply takes to settle, or the direct voltage of a feedback leg whose third
harmonic depends on it (6 dB at −110 dB between 8 and 600 periods); others have `_PERIODS`."""
_PERIODS = 8
FINER = 2
"""Steps for each of a reading's."""
NEAR, HEARD = 0.1, 1e-5
"""dB that lines may differ by, down to −100 dB."""


def plain(name: str, stage: Stage, tones: Tones, crest: float) -> Driven:
    """A transient run of a unit on rails that have settled."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(driven, "_SAG", 2e-4)
        patch.setattr(driven, "_MODEST_SAG", 2e-4)
        generator = distortion.Generator(stage, tones, 0.0)
        for _ in range(8):
            if alone(generator.at(crest), Engine().run).settled:
                break
    slow = replace(tones, settle=SETTLE.get(name, _PERIODS), step=tones.step / FINER)
    return alone(driven.drive(generator.stage, slow, crest, 0.0, generator.start), Engine().run)


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in stage_names() if load_stage(name).signal])
def test_lines_of_every_stage(name: str) -> None:
    stage = resolved(load_stage(name))
    tones = driven.tone(1e3)
    how, value = stage.signal[0]
    assert how == "input level"
    crests = [math.sqrt(2.0) * value * share for share in LESS.get(name, SHARES)]
    many = Many(Engine().run)
    # one by one, as all units of a stage are driven alike: the first of them leads the way
    runs = [abreast([driven.drive(stage, tones, crest)], many.run)[0] for crest in crests]
    assert many.count.batched == len(crests), many.count
    for crest, mine in zip(crests, runs, strict=True):
        assert isinstance(mine, Driven)
        other = plain(name, stage, tones, crest)
        # what the supply gives at this drive is for the bench to find, run by run
        if other.stage.rails != stage.rails:
            (mine,) = abreast([driven.drive(other.stage, tones, crest)], many.run)
            assert isinstance(mine, Driven)
        ours, theirs = (np.abs(one.spectrum.amplitudes[:10]) for one in (mine, other))
        kept = theirs > HEARD * theirs.max()
        assert np.abs(20.0 * np.log10(ours[kept] / theirs[kept])).max() < NEAR, crest
        assert mine.currents == pytest.approx(other.currents, rel=1e-3)

"""``diagnose stages --kinds``: what a stage file may be made of."""

import pytest

from circuits.device import load_devices
from circuits.kinds import kin, kinds
from diagnose.cli.main import main


def test_every_kind_device_and_word_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stages", "--kinds"]) == 0
    told = capsys.readouterr().out
    first = {line.split()[0] for line in told.splitlines() if line.startswith("  ")}
    assert {*kinds(), *load_devices(), *kin()} <= first
    assert "collector, base, emitter" in told
    assert "capacitance loss" in told

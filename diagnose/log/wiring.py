"""Which parts of a stage are connected how, as a digest: what two stages of one topology share."""

from __future__ import annotations

from hashlib import sha256

from circuits.stage import Stage


def wiring(stage: Stage) -> str:
    """A digest that two stages share if the same parts are connected alike.

    Their values, and what the stage is called, do not matter.
    """
    parts = sorted((p.name, p.kind, p.nodes) for p in stage.parts)
    return sha256(repr((parts, stage.input, stage.output)).encode()).hexdigest()[:32]

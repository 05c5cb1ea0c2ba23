"""Many units of one circuit at once: what a simulator finds for one, found for all of them.

Units that differ in values alone share one set of equations, so each step of solving these is one
operation on arrays whose last axis is the unit. `circuits.batch.answers.BatchedEngine` is the way
in; it takes what `circuits.bench.engine.Engine` takes, and hands to it what it cannot do itself.
"""

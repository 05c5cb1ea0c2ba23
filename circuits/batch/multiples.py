"""Lines that are all multiples of one frequency, by the thousand: waves by fast Fourier transforms.

A grid of one tone whose every harmonic counts (`circuits.batch.grid`), with as many samples as are
asked for: products whose orders are higher than the samples tell apart come back among the lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from circuits.batch.grid import Grid
from circuits.batch.lu import Array


@dataclass(frozen=True, eq=False)
class Multiples(Grid):
    """Multiples 0 to K of one frequency."""

    def waves(self, numbers: Array) -> Array:
        """Waves (N, …) of numbers (R, …)."""
        lines = self.whole(numbers)
        lines[1:] *= 0.5
        found: Array = fft.irfft(lines, self.counts[0], axis=0, norm="forward", overwrite_x=True)
        return found

    def numbers(self, waves: Array) -> Array:
        """Numbers (R, …) of waves (N, …)."""
        lines = fft.rfft(waves, axis=0, norm="forward")[: self.lines + 1]
        lines[1:] *= 2.0
        return self.parts(lines)


@lru_cache(maxsize=16)
def multiples(most: int, samples: int) -> Multiples:
    """Multiples up to an order; samples are more than twice as many."""
    return Multiples(np.arange(most + 1)[:, None], (samples,))

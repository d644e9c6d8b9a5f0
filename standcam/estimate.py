"""A number with its interval, the one record in which uncertain results travel."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """A value and the ends of its confidence interval, all in one unit; NaN where unknown."""

    value: float
    low: float = math.nan
    high: float = math.nan
    level: float = 0.95
    """Confidence of the interval. [1]"""

    @property
    def known(self) -> bool:
        """Whether there is a value; the interval may still be missing."""
        return math.isfinite(self.value)

    def scaled(self, factor: float) -> Estimate:
        """The same in another unit: all three times ``factor``, the lower end staying the lower."""
        low, high = self.low * factor, self.high * factor
        if factor < 0:
            low, high = high, low
        return Estimate(self.value * factor, low, high, self.level)

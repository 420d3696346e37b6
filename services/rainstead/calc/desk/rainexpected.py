"""Rain that is expected: one figure, or the three quantiles of a forecast."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64
from rainstead.errors import OutOfDomain

__all__ = ["RainExpected"]


@dataclass(frozen=True, slots=True)
class RainExpected:
    """Millimetres: the quantiles of 10, 50 and 90 %. All three alike: the rain is taken as given.

    Raises OutOfDomain where they are not finite, are negative, or do not rise.
    """

    low_mm: float
    likely_mm: float
    high_mm: float

    def __post_init__(self) -> None:
        three = (self.low_mm, self.likely_mm, self.high_mm)
        if not all(math.isfinite(mm) and mm >= 0 for mm in three):
            raise OutOfDomain(f"rain expected of {_said(three)} mm: each must be a number of millimetres, 0 or more")
        if not self.low_mm <= self.likely_mm <= self.high_mm:
            raise OutOfDomain(f"rain expected of {_said(three)} mm: write them as low,likely,high, rising")

    @property
    def is_one_figure(self) -> bool:
        """No range was given, so that nothing is said of how far the rain may differ."""
        return self.low_mm == self.high_mm

    def quantile_mm(self, p: F64) -> F64:
        """Rain that is not exceeded with probability p, of any shape, 0 < p < 1; never below 0.

        An exponential distribution runs from the median up through the high figure, another down through the low one:
        the upper tail of rain amounts is near exponential (common practice), and both quantiles are met exactly.
        """
        above = (self.high_mm - self.likely_mm) / math.log(5)
        below = (self.likely_mm - self.low_mm) / math.log(5)
        tail = np.log(0.5 / np.where(p < 0.5, p, 1 - p))
        return np.maximum(self.likely_mm + np.where(p < 0.5, -below, above) * tail, 0.0)


def _said(three: tuple[float, float, float]) -> str:
    return ", ".join(f"{mm:g}" for mm in three)

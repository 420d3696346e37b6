"""How long the fire reserve stays untouched: with no rain at all, and with rain as it has been before."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from rainstead.calc.arrays import F64

from .estimate import Answered, Estimate, Unknown

__all__ = ["FARTHEST_DAYS", "chance", "days_quantile", "days_without_rain", "first_touched"]

FARTHEST_DAYS = 3650.0
"""Nothing is said of a time beyond ten years."""


@dataclass(frozen=True, slots=True)
class _Falling:
    usable_l: F64
    fall_l_day: F64
    fire_l: float

    def above_l(self, days: F64) -> F64:
        """Litres above the reserve after so many days, (cases,): each tank falls until nothing of use is in it."""
        left_l: F64 = np.sum(np.maximum(self.usable_l - self.fall_l_day * days, 0.0), axis=0)
        return left_l - self.fire_l

    def touched_days(self) -> F64:
        """When that is nought, by bisection; infinite where it is not within FARTHEST_DAYS."""
        low = np.zeros(self.usable_l.shape[1])
        high = np.full(self.usable_l.shape[1], FARTHEST_DAYS)
        never = self.above_l(high) > 0
        for _ in range(50):
            middle = (low + high) / 2
            above = self.above_l(middle) > 0
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.where(never, np.inf, high)


def days_without_rain(
    usable_l: F64, usable_u_l: F64, fall_l_day: F64, fall_u_l_day: F64, fire_l: float, *, cases: int, seed: int
) -> Answered:
    """Days until the reserve's tanks together hold no more than fire_l above their outlets, if no rain falls.

    All arrays (tanks,), the reserve's tanks alone. 0 days where it is touched already. Interval by Monte Carlo
    (JCGM 101:2008); its end is None where it lies beyond FARTHEST_DAYS.
    """
    middle = float(_Falling(usable_l[:, np.newaxis], fall_l_day[:, np.newaxis], fire_l).touched_days()[0])
    if math.isinf(middle):
        return Unknown("at the present draw these tanks do not fall to the reserve within ten years")
    z = np.random.default_rng(seed).standard_normal((2, len(usable_l), cases))
    usable = np.maximum(usable_l[:, np.newaxis] + usable_u_l[:, np.newaxis] * z[0], 0.0)
    fall = np.maximum(fall_l_day[:, np.newaxis] + fall_u_l_day[:, np.newaxis] * z[1], 0.0)
    days = np.sort(_Falling(usable, fall, fire_l).touched_days())
    low, high = (float(days[math.floor(share * (cases - 1))]) for share in (0.025, 0.975))
    u = (middle - low) / 1.96 if math.isinf(high) else (high - low) / 3.92
    return Estimate(middle, u, min(low, middle), None if math.isinf(high) else max(high, middle))


def first_touched(reserve_usable_l: F64, fire_l: float) -> F64:
    """The first day, counted from 1, on which a path's reserve is touched; infinite where it never is.

    reserve_usable_l: (days, paths), litres above the outlets of the reserve's tanks in the evening of each day.
    """
    touched = reserve_usable_l < fire_l
    return np.where(touched.any(axis=0), touched.argmax(axis=0) + 1.0, np.inf)


def chance(first_day: F64, days: int) -> Estimate:
    """The share of paths whose reserve is touched within so many days, with its Monte Carlo error alone.

    u is the binomial standard error, with half a path added to each side so that 0 of n is not called certain; the
    interval is Wilson's (JASA 22, 1927).
    """
    n = len(first_day)
    count = int(np.count_nonzero(first_day <= days))
    smooth = (count + 0.5) / (n + 1)
    interval = stats.binomtest(count, n).proportion_ci(method="wilson")
    return Estimate(count / n, math.sqrt(smooth * (1 - smooth) / n), float(interval.low), float(interval.high))


def days_quantile(first_day: F64, p: float) -> float | None:
    """Days within which a share p of the paths have touched the reserve; None where fewer ever did."""
    day = float(np.sort(first_day)[min(math.ceil(p * len(first_day)), len(first_day)) - 1])
    return None if math.isinf(day) else day

"""How long the fire reserve stays untouched: with no rain at all, and with rain as it has been before."""

import math

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Answered, Estimate, Unknown
from .latescipy import scipy

__all__ = ["chance", "days_quantile", "days_without_rain", "first_touched"]

_Z = 1.959964


def days_without_rain(usable: Estimate, fall_l_day: Estimate, fire_l: float) -> Answered:
    """Days until tanks that together hold `usable` litres above their outlets hold no more than fire_l.

    They fall together: what one that has run dry no longer gives, the others do. 0 days where the reserve is touched
    already. The interval is Fieller's for a quotient (J. R. Stat. Soc. B 16, 1954), with the 95 % intervals of both;
    its end is None where it cannot be told from tanks that do not fall at all.
    """
    above_l, fall_l = usable.value - fire_l, fall_l_day.value
    if fall_l <= 0:
        return Unknown("at present these tanks do not fall")
    days = max(above_l, 0.0) / fall_l
    u = math.hypot(usable.u, days * fall_l_day.u) / fall_l
    above_half, fall_half = (_half_width(part) for part in (usable, fall_l_day))
    a, c = fall_l**2 - fall_half**2, above_l**2 - above_half**2
    root = math.sqrt(max((above_l * fall_l) ** 2 - a * c, 0.0))
    # The near root in the form that stays good as a comes to nought.
    near = c / (above_l * fall_l + root) if above_l > 0 else (above_l * fall_l - root) / a if a > 0 else 0.0
    far = (above_l * fall_l + root) / a if a > 0 else None
    return Estimate(days, u, min(max(near, 0.0), days), None if far is None else max(far, days))


def _half_width(part: Estimate) -> float:
    """Half of its 95 % interval, which is wider than its u tells where few days stand behind it."""
    return _Z * part.u if part.high is None else max((part.high - part.low) / 2, part.value - part.low)


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
    interval = scipy.stats.binomtest(count, n).proportion_ci(method="wilson")
    return Estimate(count / n, math.sqrt(smooth * (1 - smooth) / n), float(interval.low), float(interval.high))


def days_quantile(first_day: F64, p: float) -> float | None:
    """Days within which a share p of the paths have touched the reserve; None where fewer ever did."""
    day = float(np.sort(first_day)[min(math.ceil(p * len(first_day)), len(first_day)) - 1])
    return None if math.isinf(day) else day

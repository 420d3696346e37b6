"""By how much a tank falls on a day without rain, pump or delivery."""

import math

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Answered, Unknown, estimate

__all__ = ["FEWEST_DAYS", "daily_fall"]

FEWEST_DAYS = 5
_FAR_OFF = 5.0
"""Robust standard deviations from the median beyond which a day is no ordinary day, of many days (common practice)."""
_FEW = 10
"""The fewer days, the less their spread is known: with so many, a day is left out at twice the distance."""
_MAD_TO_SIGMA = 1.482602


def daily_fall(fall_l: F64, fall_u_l: F64, scale_u_ratio: float) -> Answered:
    """Mean litres a day over ordinary days: draw, evaporation and seepage together.

    fall_l: one for each such day; fall_u_l: standard uncertainty of each from the levels. The mean, not the median:
    what a reserve loses is the sum, big wash days in it; only days far off the median are left out. Interval by
    Student's t over the days, the scale of the tank's litres on top.
    """
    n = len(fall_l)
    if n < FEWEST_DAYS:
        return Unknown(f"of {FEWEST_DAYS} whole days that are wanted without rain, pump or delivery, the log has {n}")
    middle = float(np.median(fall_l))
    sigma = max(_MAD_TO_SIGMA * float(np.median(np.abs(fall_l - middle))), float(np.median(fall_u_l)), 1e-9)
    kept = fall_l[np.abs(fall_l - middle) <= _FAR_OFF * (1 + _FEW / n) * sigma]
    if len(kept) < FEWEST_DAYS:
        kept = fall_l
    mean_l = float(np.mean(kept))
    scatter_u_l = max(float(np.std(kept, ddof=1)), float(np.median(fall_u_l))) / math.sqrt(len(kept))
    return estimate(mean_l, math.hypot(scatter_u_l, scale_u_ratio * mean_l), dof=len(kept) - 1)

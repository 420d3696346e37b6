"""Whether a sensor goes deaf at the same hours of each day."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from .arrays import I64

__all__ = ["DeafHours", "deaf_hours"]

_HOURS: Final = 6
FEWEST_DAYS: Final = 3
LEAST_RATIO: Final = 0.02
TIMES_ELSEWHERE: Final = 5.0
"""Common practice, all of these."""


@dataclass(frozen=True, slots=True)
class DeafHours:
    """Six hours from from_hour on (0 to 23) in which this part of the readings gave no level; at other hours that."""

    from_hour: int
    ratio: float
    ratio_elsewhere: float
    days: int


def deaf_hours(day: I64, hour: I64, is_deaf: npt.NDArray[np.bool_]) -> DeafHours | None:
    """The six hours with most readings without a level, if they stand out on half of the days, and on three at least.

    day: any number that is the same for one day's readings. hour: 0 to 23 by the clock on the wall.
    """
    told = np.bincount(hour, minlength=24)
    deaf = np.bincount(hour[is_deaf], minlength=24)
    window = [(np.arange(_HOURS) + k) % 24 for k in range(24)]
    inside = np.array([deaf[hours].sum() / max(1, told[hours].sum()) for hours in window])
    k = int(np.argmax(inside))
    elsewhere = (deaf.sum() - deaf[window[k]].sum()) / max(1, told.sum() - told[window[k]].sum())
    days, deaf_days = len(np.unique(day)), len(np.unique(day[is_deaf & np.isin(hour, window[k])]))
    if inside[k] < max(LEAST_RATIO, TIMES_ELSEWHERE * elsewhere) or deaf_days < max(FEWEST_DAYS, days / 2):
        return None
    # Where only some of the six hours are deaf, begin with the first of these.
    while not deaf[k] and deaf[window[k]].any():
        k = (k + 1) % 24
    return DeafHours(k, float(inside.max()), float(elsewhere), deaf_days)

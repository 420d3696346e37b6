"""Distances at which something else than water seems to echo: the same one, out of many states of the tank."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from .arrays import F64, I64
from .echoes import STEP_ALLOWANCE_MM

__all__ = ["FixedEcho", "fixed_echoes"]

_WITHIN_MM: Final = 10.0
"""A fixed thing echoes from the same place, but for noise and warm air."""
_BACK_MM: Final = 100.0
"""After a visit the level is where it was, but for what the water moved meanwhile."""
FEWEST_VISITS: Final = 5
LEAST_MOVED_MM: Final = 100.0
"""The water itself must have stood so far apart from visit to visit; else the distance may be that of the water."""
_MOST: Final = 3
SCATTERS: Final = 6.0
"""So much more often than wild echoes would that fall anywhere, in scatters of their number. Common practice, all of
these."""


@dataclass(frozen=True, slots=True)
class FixedEcho:
    """range_mm was heard `readings` times, in `visits`, while the water stood between nearest_mm and farthest_mm."""

    range_mm: float
    visits: int
    readings: int
    nearest_mm: float
    farthest_mm: float


def fixed_echoes(t_ms: I64, range_mm: F64, fastest_mm_min: float) -> list[FixedEcho]:
    """The distances that are suspected, three at most, the one with most visits first; NaN counts for nothing.

    A visit is a run of steady readings that the level leaps to and back from faster than water moves, and that is
    shorter than what surrounds it.
    """
    known = ~np.isnan(range_mm)
    at_ms, value = t_ms[known], range_mm[known]
    found: list[FixedEcho] = []
    while len(found) < _MOST and (echo := _strongest(at_ms, value, fastest_mm_min)) is not None:
        found.append(echo)
        # Without it, what the water does is plainer to see.
        others = np.abs(value - echo.range_mm) > 2 * _WITHIN_MM
        at_ms, value = at_ms[others], value[others]
    return found


def _strongest(at_ms: I64, value: F64, fastest_mm_min: float) -> FixedEcho | None:
    if not len(value):
        return None
    leaps = np.abs(np.diff(value)) > STEP_ALLOWANCE_MM + fastest_mm_min * np.diff(at_ms) / 60_000
    begin = np.concatenate([[0], np.flatnonzero(leaps) + 1])
    if len(begin) < 3:
        return None
    end = np.concatenate([begin[1:], [len(value)]])
    count = end - begin
    mean = np.add.reduceat(value, begin) / count
    span = np.maximum.reduceat(value, begin) - np.minimum.reduceat(value, begin)
    before, after = value[begin[1:-1] - 1], value[end[1:-1]]
    is_visit = (
        (span[1:-1] <= 2 * _WITHIN_MM) & (np.abs(after - before) <= _BACK_MM) & (count[1:-1] < count[:-2] + count[2:])
    )
    visit_mm, from_mm, readings = mean[1:-1][is_visit], before[is_visit], count[1:-1][is_visit]
    if not len(visit_mm):
        return None
    places = np.sort(visit_mm)
    upto = np.searchsorted(places, places + 2 * _WITHIN_MM, side="right")
    k = int(np.argmax(upto - np.arange(len(places))))
    near = (visit_mm >= places[k]) & (visit_mm <= places[k] + 2 * _WITHIN_MM)
    visits = np.count_nonzero(near)
    by_chance = np.count_nonzero(~near) * 2 * _WITHIN_MM / max(1000.0, float(value.max() - value.min()))
    # Without the outer tenths: a wild echo beside a visit says nothing of the water.
    nearest_mm, farthest_mm = np.quantile(from_mm[near], [0.1, 0.9]).tolist()
    # Counts of what falls anywhere scatter by the root of their mean (Poisson).
    fewest = max(2 * by_chance, by_chance + SCATTERS * math.sqrt(by_chance) + FEWEST_VISITS)
    if visits < fewest or farthest_mm - nearest_mm < LEAST_MOVED_MM:
        return None
    where_mm = float(np.median(visit_mm[near]))
    # Where most readings are the water is, and it is the others that leap.
    if 2 * np.count_nonzero(np.abs(value - where_mm) <= 2 * _WITHIN_MM) >= len(value):
        return None
    return FixedEcho(where_mm, int(visits), int(readings[near].sum()), nearest_mm, farthest_mm)

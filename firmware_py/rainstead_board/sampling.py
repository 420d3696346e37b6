"""A burst of echoes becomes one reading: its median, its spread, its count, and whether it can be used."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from rainstead.readings import Quality

__all__ = ["Burst", "burst"]

_STEP_MM = 1.0
"""Resolution of a range: a still, rounded level has no spread of its own, and is not exact for that."""
_NORMAL = 1.4826
"""Median absolute deviation to standard deviation, for normal noise: 1 / the normal quantile of 3/4."""


@dataclass(frozen=True, slots=True)
class Burst:
    """What a burst says. median_mm and spread_mm are None where there are no echoes."""

    median_mm: float | None
    spread_mm: float | None
    count: int
    quality: Quality


def burst(
    ranges_mm: Sequence[float],
    *,
    blanking_mm: float,
    max_range_mm: float,
    noisy_above_mm: float,
    fewest: int,
) -> Burst:
    """Judge a burst of ranges, those without an echo left out.

    Fewer than `fewest` are NO_ECHO and have no value. At or under the blanking distance a range is a bound, over the
    largest range it is no range of this sensor's; both keep the raw value.
    """
    if len(ranges_mm) < max(1, fewest):
        return Burst(None, None, len(ranges_mm), Quality.NO_ECHO)
    median = statistics.median(ranges_mm)
    deviation = statistics.median(abs(value - median) for value in ranges_mm)
    spread = max(_NORMAL * deviation, _STEP_MM / math.sqrt(12))
    if median <= blanking_mm:
        quality = Quality.BLANKED
    elif median > max_range_mm:
        quality = Quality.OUT_OF_RANGE
    elif spread > noisy_above_mm:
        quality = Quality.NOISY
    else:
        quality = Quality.OK
    return Burst(median, round(spread, 2), len(ranges_mm), quality)

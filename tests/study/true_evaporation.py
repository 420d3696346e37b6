"""What really evaporates at a drawn site: by the settings' way of estimating it, from the true air, and made wrong."""

import math
from itertools import pairwise

import numpy as np
from random_site import DrawnSite

from rainstead.readings import F64, I64

__all__ = ["evaporation_mm", "hargreaves_mm_day"]

_DAY_MS = 86_400_000
_ALL_DAY_RATIO = 0.25


def evaporation_mm(site: DrawnSite, middle_ms: I64, outdoor_c: F64) -> F64:
    """Millimetres off open water in each minute: most of a day's total while the sun is up, the rest evenly."""
    settings = site.settings.evaporation
    assert settings is not None
    local_ms = middle_ms + site.true.utc_offset_s * 1000
    day, hour = local_ms // _DAY_MS, local_ms % _DAY_MS / 3_600_000
    sun = np.where((hour > 6) & (hour < 19), np.sin(math.pi * (hour - 6) / 13), 0.0) / (60 * 13 * 2 / math.pi)
    shape = (1 - _ALL_DAY_RATIO) * sun + _ALL_DAY_RATIO / 1440
    first, last = int(day[0]), int(day[-1])
    if settings.monthly_mm is not None:
        per_day = np.array([_monthly_mm_day(settings.monthly_mm, number) for number in range(first, last + 1)])
    else:
        cuts = pairwise(np.searchsorted(day, np.arange(first, last + 2)).tolist())
        air_c = [outdoor_c[low:high] for low, high in cuts]
        per_day = settings.coefficient * np.array(
            [hargreaves_mm_day(part, site.true.latitude_deg, first + k) for k, part in enumerate(air_c)]
        )
    return np.asarray(site.evaporation_ratio * per_day[day - first] * shape)


def hargreaves_mm_day(air_c: F64, latitude_deg: float, day_number: int) -> float:
    """Reference evapotranspiration by FAO-56 (1998), eq. 52, with the radiation of eq. 21 to 25.

    air_c: all through the day. day_number: since 1970.
    """
    date = np.datetime64(day_number, "D")
    year_day = int((date - date.astype("datetime64[Y]")).astype(int)) + 1
    high, low = float(air_c.max()), float(air_c.min())
    phi = math.radians(latitude_deg)
    delta = 0.409 * math.sin(2 * math.pi * year_day / 365 - 1.39)
    sunset = math.acos(-math.tan(phi) * math.tan(delta))
    turn = sunset * math.sin(phi) * math.sin(delta) + math.cos(phi) * math.cos(delta) * math.sin(sunset)
    above_mm = 0.408 * 24 * 60 / math.pi * 0.0820 * (1 + 0.033 * math.cos(2 * math.pi * year_day / 365)) * turn
    return 0.0023 * ((high + low) / 2 + 17.8) * math.sqrt(high - low) * above_mm


def _monthly_mm_day(monthly: tuple[float, ...], day_number: int) -> float:
    """From the owner's figures, each of which holds in the middle of its month."""
    year = int(np.datetime64(day_number, "D").astype("datetime64[Y]").astype(int)) + 1970
    firsts = [int(np.datetime64(f"{year + m // 12}-{m % 12 + 1:02d}-01").astype(int)) for m in range(-1, 14)]
    middles = [(first + after) / 2 for first, after in pairwise(firsts)]
    rates = [monthly[k % 12] / (after - first) for k, (first, after) in enumerate(pairwise(firsts), start=-1)]
    return float(np.interp(day_number + 0.5, middles, rates))

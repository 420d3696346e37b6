"""Evaporation from open water, a figure a day: from the air's daily range, or from the owner's monthly figures.

A formula made for grass on a plain only bounds what a small tank loses between fences and warm walls; that is what
`u_ratio` says. It is one unknown error for the whole of a season, so it does not average out.
"""

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from rainstead.calc.arrays import F64, I64
from rainstead.errors import OutOfDomain

__all__ = [
    "EvaporationDays",
    "air_range_c",
    "extraterrestrial_mj",
    "hargreaves_mm",
    "monthly_mm_day",
    "with_gaps_filled",
]

_MM_PER_MJ = 0.408
"""Depth of water that a megajoule evaporates from a square metre. Source: FAO-56, eq. 20."""
_NEAR_DAYS = 15


@dataclass(frozen=True, slots=True)
class EvaporationDays:
    """Open-water evaporation of whole days; NaN where it is not known.

    edges_ms: begin of each day and the end of the last, one longer than mm. u_ratio: relative standard uncertainty,
    one unknown error for all days. filled: days that had no figure of their own and were given their neighbours' mean.
    """

    edges_ms: I64
    mm: F64
    u_ratio: float
    filled: int = 0

    def between_mm(self, from_ms: I64 | int, upto_ms: I64 | int) -> F64:
        """Evaporation between times, elementwise; NaN where a day in it is unknown, or outside the days.

        A day's water is spread evenly over its hours, so that only differences of about whole days mean much.
        """
        known = np.where(np.isnan(self.mm), 0.0, self.mm)
        total = np.concatenate([[0.0], np.cumsum(known)])
        missing = np.concatenate([[0], np.cumsum(np.isnan(self.mm).astype(np.int64))])
        ends = np.asarray(from_ms, dtype=np.int64), np.asarray(upto_ms, dtype=np.int64)
        low, high = (np.interp(at, self.edges_ms, total) for at in ends)
        gaps = np.interp(ends[1], self.edges_ms, missing) - np.interp(ends[0], self.edges_ms, missing)
        inside = (ends[0] >= self.edges_ms[0]) & (ends[1] <= self.edges_ms[-1])
        return np.where(inside & (gaps == 0), high - low, np.nan)


def extraterrestrial_mj(latitude_deg: float, day_of_year: I64) -> F64:
    """Radiation at the top of the air over a day, MJ/m2.

    latitude_deg: -90 to 90, south negative. day_of_year: 1 to 366, any shape. 0 in polar night.
    Source: FAO-56 (Allen et al. 1998), eq. 21-25; example 8 gives 32.2 for 3 September at 20 deg S.
    """
    if not -90 <= latitude_deg <= 90:
        raise OutOfDomain(f"latitude_deg = {latitude_deg}: between -90 and 90")
    turn = 2 * math.pi * np.asarray(day_of_year, dtype=np.float64) / 365
    phi = math.radians(latitude_deg)
    nearness = 1 + 0.033 * np.cos(turn)
    decline = 0.409 * np.sin(turn - 1.39)
    sunset = np.arccos(np.clip(-math.tan(phi) * np.tan(decline), -1.0, 1.0))
    sun = sunset * math.sin(phi) * np.sin(decline) + math.cos(phi) * np.cos(decline) * np.sin(sunset)
    return np.asarray(np.maximum(24 * 60 / math.pi * 0.0820 * nearness * sun, 0.0))


def hargreaves_mm(t_min_c: F64, t_max_c: F64, radiation_mj: F64) -> F64:
    """Evaporation of reference grass over a day, mm, from the day's least and most air temperature.

    radiation_mj: at the top of the air, MJ/m2 a day. NaN stays NaN; never below 0.
    Source: FAO-56, eq. 52; example 20 gives 5.0 for 14.8 to 26.6 deg C in July at 45.72 deg N.
    """
    mean_c = (t_min_c + t_max_c) / 2
    spread_k = np.maximum(t_max_c - t_min_c, 0.0)
    return np.asarray(np.maximum(0.0023 * (mean_c + 17.8) * np.sqrt(spread_k) * radiation_mj * _MM_PER_MJ, 0.0))


def air_range_c(t_ms: I64, air_c: F64, edges_ms: I64, *, longest_gap_ms: int = 2 * 3_600_000) -> tuple[F64, F64]:
    """Least and most temperature of each day between edges; NaN for a day with a gap longer than allowed.

    The gap counts from the day's begin to its first reading and from its last to its end, too: a probe that was
    silent at dawn has not seen the day's least.
    """
    days = len(edges_ms) - 1
    least, most = np.full(days, np.nan), np.full(days, np.nan)
    cuts = np.searchsorted(t_ms, edges_ms, side="left")
    for k in range(days):
        part = slice(cuts[k], cuts[k + 1])
        seen = np.concatenate([[edges_ms[k]], t_ms[part], [edges_ms[k + 1]]])
        if cuts[k + 1] > cuts[k] and int(np.diff(seen).max()) <= longest_gap_ms:
            least[k], most[k] = air_c[part].min(), air_c[part].max()
    return least, most


def monthly_mm_day(monthly_mm: tuple[float, ...], days: list[date]) -> F64:
    """A day's evaporation from twelve monthly totals: each month's daily mean stands in its middle."""
    if len(monthly_mm) != 12:
        raise OutOfDomain(f"monthly evaporation has {len(monthly_mm)} figures: 12, January to December")
    lengths = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    ends = np.cumsum(lengths)
    middle, rate = ends - lengths / 2, np.array(monthly_mm) / lengths
    at = np.array([day.timetuple().tm_yday - 0.5 for day in days])
    return np.asarray(np.interp(at, middle, rate, period=365.25))


def with_gaps_filled(days: EvaporationDays) -> EvaporationDays:
    """Days without a figure get the mean of the known ones at most 15 days away.

    They stay NaN where there is none, and before the first and after the last known day but one.
    """
    known = np.flatnonzero(~np.isnan(days.mm))
    if not len(known):
        return days
    mm, filled = days.mm.copy(), 0
    # The first and the last day are hardly ever whole.
    for k in range(max(int(known[0]) - 1, 0), min(int(known[-1]) + 2, len(mm))):
        near = days.mm[max(k - _NEAR_DAYS, 0) : k + _NEAR_DAYS + 1]
        if np.isnan(mm[k]) and not np.isnan(near).all():
            mm[k] = np.nanmean(near)
            filled += int(known[0]) < k < int(known[-1])
    return EvaporationDays(days.edges_ms, mm, days.u_ratio, days.filled + filled)

"""Rain and air over the twin: storms made from a seed, or a record that was measured somewhere."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.readings import F64, I64

__all__ = ["DAY_MS", "Weather", "air_cycle_c", "generated_weather", "recorded_weather", "winter_ratio"]

DAY_MS = 86_400_000
STEP_S = 60
_YEAR_MS = 365.2425 * DAY_MS


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """Rain and air in steps of a minute.

    start_ms: UTC milliseconds of the first step's begin. rain_mm: fallen in each step, never NaN.
    air_c: mean air temperature of each step.
    """

    start_ms: int
    rain_mm: F64
    air_c: F64

    @property
    def edges_ms(self) -> I64:
        """Begin of each step and the end of the last: one longer than `rain_mm`."""
        return self.start_ms + np.arange(len(self.rain_mm) + 1, dtype=np.int64) * (STEP_S * 1000)


def winter_ratio(t_ms: F64 | I64, latitude_deg: float) -> F64:
    """1 in midwinter, -1 in midsummer, on whichever side of the equator."""
    phase = 2 * math.pi * (np.asarray(t_ms, dtype=np.float64) / _YEAR_MS - 15 / 365.2425)
    return np.asarray(np.cos(phase) * (1.0 if latitude_deg >= 0 else -1.0))


def air_cycle_c(t_ms: F64 | I64, latitude_deg: float, utc_offset_s: int) -> F64:
    """Air temperature by season, hour and a slow wobble of some days; warmest at 15:00 by standard time."""
    t = np.asarray(t_ms, dtype=np.float64)
    hour = ((t + utc_offset_s * 1000) % DAY_MS) / 3_600_000
    day = t / DAY_MS
    wobble = 1.6 * np.sin(2 * math.pi * day / 5.3) + 1.1 * np.sin(2 * math.pi * day / 11.7)
    daily = 5.0 * np.cos(2 * math.pi * (hour - 15) / 24)
    return np.asarray(16.5 - 6.0 * winter_ratio(t, latitude_deg) + daily + wobble)


def generated_weather(start_ms: int, days: float, *, seed: int, latitude_deg: float, utc_offset_s: int = 0) -> Weather:
    """Invented weather: more and longer storms in winter, fewer and fiercer ones in summer.

    The same arguments give the same weather to the bit.
    """
    rng = np.random.default_rng([seed, 11])
    count = round(days * DAY_MS / (STEP_S * 1000))
    rain_mm = np.zeros(count)
    edges_ms = start_ms + np.arange(count, dtype=np.int64) * (STEP_S * 1000)
    at_min = rng.uniform(0, 2 * 1440)
    while at_min < count:
        winter = float(winter_ratio(np.asarray([start_ms + at_min * 60_000]), latitude_deg)[0])
        burst = _storm(rng, winter)
        first = int(at_min)
        last = min(first + len(burst), count)
        rain_mm[first:last] = burst[: last - first]
        # A dry spell of 9 h at least, so that no two storms can be taken for one.
        at_min = first + len(burst) + 540 + rng.exponential(1440 * (4.5 - 1.5 * winter))
    return Weather(start_ms, rain_mm, air_cycle_c(edges_ms, latitude_deg, utc_offset_s))


def _storm(rng: np.random.Generator, winter: float) -> F64:
    """Rain of one storm, mm a minute: a slow swell, with gusts of a few minutes and short pauses."""
    minutes = int(rng.uniform(70, 240) * (2.0 + winter))
    depth_mm = float(rng.gamma(1.6, 8.0)) + 1.0
    swell = np.sin(np.linspace(0.05, math.pi - 0.05, minutes)) ** float(rng.uniform(0.6, 2.0))
    gusts = np.exp(rng.normal(0.0, 0.9 - 0.2 * winter, minutes // 5 + 1)).repeat(5)[:minutes]
    pauses = (rng.random(minutes // 20 + 1) > 0.2).repeat(20)[:minutes]
    pauses[0] = pauses[-1] = True
    shape = swell * gusts * pauses
    return np.asarray(depth_mm * shape / shape.sum())


def recorded_weather(
    t_ms: I64,
    rain_mm: F64,
    *,
    period_s: int,
    latitude_deg: float,
    utc_offset_s: int = 0,
    air_c: F64 | None = None,
) -> Weather:
    """Weather from a record, its rain spread evenly over each period.

    t_ms: begin of each period, UTC, increasing, whole minutes apart; a period that is not there was dry.
    rain_mm: fallen in the period; NaN counts as dry. period_s: 3600 for hourly, 86400 for daily; whole minutes.
    air_c: mean of each period; interpolated; the usual cycle where left out.
    Raises ValueError where the periods overlap or are no whole minutes.
    """
    if period_s % STEP_S or np.any(np.diff(t_ms) % (STEP_S * 1000)):
        raise ValueError(f"a record's periods are whole minutes; got a period of {period_s} s")
    if np.any(np.diff(t_ms) < period_s * 1000):
        raise ValueError(f"a record's periods of {period_s} s must not overlap: its times are nearer than that")
    per = period_s // STEP_S
    start_ms = int(t_ms[0])
    count = (int(t_ms[-1]) - start_ms) // (STEP_S * 1000) + per
    minute_mm = np.zeros(count)
    first = (t_ms - start_ms) // (STEP_S * 1000)
    minute_mm[first[:, None] + np.arange(per)] = (np.nan_to_num(rain_mm, nan=0.0) / per)[:, None]
    edges_ms = start_ms + np.arange(count, dtype=np.int64) * (STEP_S * 1000)
    if air_c is None:
        air = air_cycle_c(edges_ms, latitude_deg, utc_offset_s)
    else:
        known = np.isfinite(air_c)
        air = np.interp(edges_ms, t_ms[known] + period_s * 500, air_c[known])
    return Weather(start_ms, minute_mm, air)

"""Open-water evaporation of a site, day by day: from the probe's range or the owner's figures, as the settings say."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rainstead.calc.desk import (
    EvaporationDays,
    Unknown,
    air_range_c,
    extraterrestrial_mj,
    hargreaves_mm,
    monthly_mm_day,
    with_gaps_filled,
)
from rainstead.evidence import Evidence
from rainstead.readings import F64, I64
from rainstead.settings import Settings

from .days import day_start_ms, local_date

__all__ = ["TankEvaporation", "evaporation_days"]

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class TankEvaporation:
    """What evaporates from one tank. area_m2: of water that the air gets at, the cover allowed for; 0 under a lid.

    days is Unknown where nothing is known and area_m2 is not 0.
    """

    area_m2: float
    days: EvaporationDays | Unknown

    @property
    def u_ratio(self) -> float:
        """Relative standard uncertainty, one unknown error for all of it; 0 where nothing evaporates."""
        return 0.0 if self.area_m2 == 0 or isinstance(self.days, Unknown) else self.days.u_ratio

    @property
    def filled(self) -> int:
        """Days whose figure is their neighbours'."""
        return 0 if self.area_m2 == 0 or isinstance(self.days, Unknown) else self.days.filled

    def litres(self, from_ms: I64, upto_ms: I64) -> F64:
        """Between times, elementwise; NaN where it is not known."""
        if self.area_m2 == 0:
            return np.zeros(len(upto_ms))
        if isinstance(self.days, Unknown):
            return np.full(len(upto_ms), np.nan)
        return self.area_m2 * self.days.between_mm(from_ms, upto_ms)

    def l_day(self, at_ms: I64) -> F64:
        """Of the 24 hours before each time and the 24 after it, the mean of what is known."""
        before, after = self.litres(at_ms - _DAY_MS, at_ms), self.litres(at_ms, at_ms + _DAY_MS)
        return np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))

    @staticmethod
    def of(settings: Settings, evidence: Evidence, tank: str) -> "TankEvaporation":
        """Of a tank by its mouth and cover in the settings."""
        of_site = evidence.network.tank(tank)
        return TankEvaporation(of_site.open_area_m2 * of_site.evaporation_ratio, evaporation_days(settings, evidence))


def evaporation_days(settings: Settings, evidence: Evidence) -> EvaporationDays | Unknown:
    """Millimetres of each local day that the evidence touches.

    Days on which the probe was silent for hours take the mean of their neighbours; `filled` says how many.
    """
    how, zone = settings.evaporation, settings.site.time_zone
    if how is None:
        return Unknown("the settings have no [evaporation] table, with a probe or with monthly figures")
    first, last = local_date(evidence.from_ms + 1, zone), local_date(evidence.upto_ms, zone)
    days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
    edges_ms = np.array([day_start_ms(day, zone) for day in [*days, last + timedelta(days=1)]], dtype=np.int64)
    if how.monthly_mm is not None:
        return EvaporationDays(edges_ms, monthly_mm_day(how.monthly_mm, days), how.u_ratio)
    if how.air is None:
        return Unknown("the [evaporation] table names neither a probe (air) nor monthly figures (monthly)")
    probe = evidence.temperatures.get(how.air)
    if probe is None or not len(probe.t_ms):
        return Unknown(f"the probe {how.air} gave no temperature in that time")
    least_c, most_c = air_range_c(probe.t_ms, probe.temperature_c, edges_ms)
    year_day = np.array([day.timetuple().tm_yday for day in days], dtype=np.int64)
    grass_mm = hargreaves_mm(least_c, most_c, extraterrestrial_mj(settings.site.latitude_deg, year_day))
    found = with_gaps_filled(EvaporationDays(edges_ms, how.coefficient * grass_mm, how.u_ratio))
    if np.isnan(found.mm).all():
        return Unknown(f"the probe {how.air} was not heard for a whole day in that time")
    return found

"""The live site's water: a script of storms and pump runs, moved in short steps, and the edges that it makes."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead_board.twin.truth import TwinSite
from rainstead_board.twin.waterworks import SiteState, Waterworks

__all__ = ["LiveWater", "Script"]


@dataclass(frozen=True, slots=True)
class Script:
    """What happens live, in seconds since the start; then all over again each `period_s`."""

    storm_s: tuple[float, float] = (12.0, 75.0)
    storm_mm_h: float = 150.0
    pump_s: tuple[float, float] = (85.0, 130.0)
    pump_l_min: float = 55.0
    period_s: float = 300.0

    def storm_share_s(self, start_s: float, stop_s: float) -> float:
        """Seconds of storm between two moments less than a period apart."""
        return _shared_s(self.storm_s, start_s % self.period_s, stop_s - start_s)

    def pump_share_s(self, start_s: float, stop_s: float) -> float:
        """Seconds of pumping between two moments less than a period apart."""
        return _shared_s(self.pump_s, start_s % self.period_s, stop_s - start_s)


def _shared_s(window: tuple[float, float], start_s: float, length_s: float) -> float:
    return max(0.0, min(window[1], start_s + length_s) - max(window[0], start_s))


class LiveWater:
    """The site going on from `state` under a script."""

    def __init__(self, site: TwinSite, state: SiteState, script: Script) -> None:
        self._site, self._script = site, script
        self._works = Waterworks.start(site, state)
        self._bucket_mm, self._pulse_part = state.bucket_mm, state.pulse_part
        self.rain_mm = 0.0
        """Fallen since the start."""

    @property
    def volumes_l(self) -> tuple[float, ...]:
        """Litres in each tank."""
        return tuple(self._works.volumes_l)

    @property
    def pump_l(self) -> float:
        """Pumped since the start."""
        return self._works.pump_l

    def move(self, start_s: float, dt_s: float, t_ms: int) -> tuple[list[float], list[tuple[float, float]]]:
        """Move the water of one step.

        start_s: since the script's start. t_ms: UTC, for the hour and season of draw and evaporation.
        Returns when the bucket tipped, and when the meter pulsed and for how long: seconds after start_s.
        """
        works, site, script = self._works, self._site, self._script
        rain_mm = script.storm_share_s(start_s, start_s + dt_s) * script.storm_mm_h / 3600
        pump_l = script.pump_share_s(start_s, start_s + dt_s) * script.pump_l_min / 60
        moment = np.asarray([t_ms], dtype=np.float64)
        evaporation_mm = float(site.evaporation_mm_d(moment)[0]) * dt_s / 86_400
        draw_d = float(site.draw_ratio(moment)[0]) * dt_s / 86_400
        inflow_l = works.rain(rain_mm, dt_s)
        for k, tank in enumerate(site.tanks):
            inflow_l[k] += rain_mm * tank.open_m2
        pumped_l = works.step(
            inflow_l,
            evaporation_l=[
                evaporation_mm * tank.surface_m2(volume)
                for tank, volume in zip(site.tanks, works.volumes_l, strict=True)
            ],
            seepage_l=[rate * dt_s / 86_400 for rate in site.seepage_l_day],
            draw_l=[rate * draw_d for rate in site.draw_l_day],
            hand_l=[0.0] * len(site.tanks),
            pump_l=pump_l,
        )
        self.rain_mm += rain_mm
        return self._tips(rain_mm, dt_s), self._pulses(pumped_l, dt_s)

    def _tips(self, rain_mm: float, dt_s: float) -> list[float]:
        before_mm, tip_mm = self._bucket_mm, self._site.tip_mm
        tips = math.floor((before_mm + rain_mm) / tip_mm)
        self._bucket_mm = before_mm + rain_mm - tips * tip_mm
        return [((tip + 1) * tip_mm - before_mm) / rain_mm * dt_s for tip in range(tips)]

    def _pulses(self, pumped_l: float, dt_s: float) -> list[tuple[float, float]]:
        turned = pumped_l * self._site.pulses_per_l
        before = self._pulse_part
        made = math.floor(before + turned)
        self._pulse_part = before + turned - made
        return [((pulse + 1 - before) / turned * dt_s, dt_s / turned / 2) for pulse in range(made)]

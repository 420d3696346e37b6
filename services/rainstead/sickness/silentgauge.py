"""A gauge that tells no rain while the tanks gain as rain would make them: blocked, unplugged, or its cable cut.

Worked out from the log alone. With one tank under roofs nothing tells rain from water that is let in, so a site needs
two.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.readings import F64, Quality
from rainstead.settings import Settings

from .lasthours import ROOF_LAG_MS, STEP_MS, WINDOWS, LastHours

__all__ = ["SilentGauge", "silent_gauge"]

LEAST_MM: Final = 2.0
HARDEST_MM_H: Final = 200.0
"""A tank that gains faster than this for ten minutes is filled by somebody."""
TOLD_RATIO: Final = 0.25
"""A gauge that tells less than this part of what the tanks gained is called silent."""
SURE_U: Final = 2.0
PUMPED_L: Final = 20.0


@dataclass(frozen=True, slots=True)
class SilentGauge:
    """Since when tanks gained without it, by how much rain, and what it told of that."""

    gauge: str
    since_ms: int
    hours: float
    tanks_mm: float
    gauge_mm: float


def silent_gauge(settings: Settings, hours: LastHours, sick: Collection[str] = ()) -> SilentGauge | None:
    """Whether the gauge was silent though all tanks under roofs gained. sick: level sensors to leave out."""
    if settings.rain is None or hours.gauge_quality not in (None, Quality.OK):
        return None
    for steps in WINDOWS:
        from_ms = int(hours.edges_ms[-1]) - steps * STEP_MS
        rain_mm = [_rain_of(settings, name, hours, steps) for name in _undisturbed(settings, hours, from_ms, sick)]
        agreed_mm = calc.agreed_rain_mm(np.array([one for one in rain_mm if one is not None]))
        told_mm = hours.rain_since_mm(from_ms - ROOF_LAG_MS)
        if agreed_mm is not None and agreed_mm >= LEAST_MM and told_mm < TOLD_RATIO * agreed_mm:
            return SilentGauge(settings.rain.gauge, from_ms, steps * STEP_MS / 3.6e6, agreed_mm, told_mm)
    return None


def _yield_l_mm(settings: Settings, tank: str) -> float:
    """Litres that a millimetre of rain should bring, its own mouth with it; 0 where no roof feeds the tank."""
    roofs = sum(roof.shares.get(tank, 0.0) * roof.area_m2 * roof.runoff_ratio for roof in settings.catchments.values())
    return roofs + (settings.tanks[tank].open_area_m2 or 0.0) if roofs > 0 else 0.0


def _undisturbed(settings: Settings, hours: LastHours, from_ms: int, sick: Collection[str]) -> list[str]:
    """Tanks under roofs that no pump moved; none where its water may have gone into any of them."""
    names = [
        name for name in hours.tanks if _yield_l_mm(settings, name) > 0 and settings.tanks[name].sensor not in sick
    ]
    pump = settings.pump
    if pump is None or hours.flow_since_l(from_ms) < PUMPED_L:
        return names
    return [] if pump.to is None else [name for name in names if name not in (pump.source, pump.to)]


def _rain_of(settings: Settings, name: str, hours: LastHours, steps: int) -> F64 | None:
    """Rain by step that explains what a tank gained; None where it says nothing: too little known, full, or filled."""
    tank = hours.tanks[name]
    recent = slice(-steps - 1, None)
    volume_l, depth_m = tank.volume_l[recent], tank.depth_m[recent]
    if np.isnan(volume_l).any() or tank.was_blanked[recent].any():
        return None
    if depth_m.max() >= settings.tanks[name].brim_m - 2 * tank.depth_u_m:
        return None
    rain_mm: F64 = np.diff(volume_l) / _yield_l_mm(settings, name)
    if rain_mm.max() > HARDEST_MM_H * STEP_MS / 3_600_000:
        return None
    # What the level's own uncertainty can make is no gain: warm air alone raises all levels together.
    return rain_mm if depth_m[-1] - depth_m[0] > SURE_U * tank.depth_u_m else np.zeros(steps)

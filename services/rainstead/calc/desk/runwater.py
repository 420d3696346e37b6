"""Water that comes into a tank or leaves it by itself while the pump runs, and how far it is known."""

import math
from dataclasses import dataclass

import numpy as np

from .agreement import Part
from .estimate import Estimate, estimate
from .levels import AIR_DRIFT_MS, TankMinutes
from .network import Network
from .steadyflow import slope_with_memory

__all__ = ["SideWater", "household_out", "rain_in", "still_loss_l_h"]

_LOT_L = 25.0
"""Mean square of what is drawn at once over its mean, as of showers and buckets among taps; common practice."""
_HOUR_U_RATIO = 0.7
"""How unevenly the day's hours are used, as a standard deviation; common practice."""

_RAIN_U_RATIO = 0.3
"""How far the roof's nominal yield is trusted over minutes: gutters and pipes delay; common practice."""


@dataclass(frozen=True, slots=True)
class SideWater:
    """Litres that came into a tank by itself (negative: left it), with the parts of its uncertainty."""

    volume_l: float
    parts: tuple[Part, ...]


def rain_in(network: Network, tank: str, before_mm: float, during_mm: float) -> SideWater | None:
    """What rain brings into a tank: roofs by their nominal yield once they are wet, and its own open mouth.

    before_mm: rain of the same storm before, which wetted the roofs. None where nothing fell. The part is named `rain`
    for all tanks: they err together.
    """
    if during_mm <= 0:
        return None
    roofs = 0.0
    for roof in network.roofs:
        share = dict(roof.shares).get(tank, 0.0)
        roofs += share * (roof.runoff_l(before_mm + during_mm) - roof.runoff_l(before_mm))
    direct = network.tank(tank).open_area_m2 * during_mm
    return SideWater(roofs + direct, (Part("rain", _RAIN_U_RATIO * roofs + 0.1 * direct),))


def household_out(draw_l_day: float, draw_u_l_day: float, hours: float) -> SideWater:
    """The house's draw over some hours, taken out evenly; a tap is on or off, so that it may be far from even.

    Lots of some litres come by chance, and some hours have more of them: the variance of a compound Poisson draw, and
    that of the hour.
    """
    even_l = draw_l_day * hours / 24
    u_l = math.sqrt(_LOT_L * even_l + (_HOUR_U_RATIO * even_l) ** 2 + (draw_u_l_day * hours / 24) ** 2)
    return SideWater(-even_l, (Part("household draw", -u_l),))


def still_loss_l_h(minutes: TankMinutes, from_ms: int, upto_ms: int) -> Estimate | None:
    """Litres an hour that a tank lost over an hour or more of standing; None where fewer than 30 minutes tell."""
    some = minutes.between(from_ms, upto_ms)
    if len(some.t_ms) < 30 or some.t_ms[-1] - some.t_ms[0] < 3_600_000 or bool(some.at_brim.any()):
        return None
    hours = (some.t_ms - some.t_ms[0]) / 3_600_000
    slope, _ = slope_with_memory(hours, some.volume_l)
    # The air over the water drifts meanwhile, and takes the level along.
    long_h = float(hours[-1])
    drift = 1 - math.exp(-long_h * 3_600_000 / AIR_DRIFT_MS)
    air_l = float(np.mean(some.sound_u_l)) * math.sqrt(2 * drift)
    return estimate(-slope.value, math.hypot(slope.u, air_l / long_h))

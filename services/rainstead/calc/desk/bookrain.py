"""Rain as it comes into a tank, tip by tip: off its roofs once they are wet, and straight into its open mouth."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64, I64

from .course import Course, Kind, steps_course
from .feeds import Feed

__all__ = ["STORM_SCATTER_RATIO", "TippedRain", "direct_kind", "roof_kind"]

STORM_SCATTER_RATIO = 0.1
"""One storm's wind and one's leaves: a roof gives so much more or less than its mean (common practice)."""


@dataclass(frozen=True, slots=True)
class TippedRain:
    """Rows with tips, in order of time. storm: which storm each belongs to; fell_mm: of that storm, up to and with it.

    u_ratio: the gauge's relative standard uncertainty, one unknown error; tip_u_mm: of each storm's part buckets.
    """

    t_ms: I64
    rain_mm: F64
    storm: I64
    fell_mm: F64
    u_ratio: float
    tip_u_mm: float


def roof_kind(feed: Feed, rain: TippedRain) -> Kind:
    """Litres of one roof: yield times the rain of each storm beyond what wets it."""
    now, before = rain.fell_mm, rain.fell_mm - rain.rain_mm
    beyond = np.maximum(now - feed.loss_mm, 0.0) - np.maximum(before - feed.loss_mm, 0.0)
    runs, ran = now > feed.loss_mm, before > feed.loss_mm
    crossed = (runs & ~ran).astype(np.float64)
    litres = feed.yield_l_mm * beyond
    # If the gauge is wrong by a part, the storm is, and with it all that is beyond the loss.
    by_gauge = feed.yield_l_mm * rain.u_ratio * (np.where(runs, now, 0.0) - np.where(ran, before, 0.0))
    errors = {
        f"yield {feed.source}": steps_course(rain.t_ms, feed.yield_u_l_mm * beyond),
        f"loss {feed.source}": steps_course(rain.t_ms, -feed.yield_l_mm * feed.loss_u_mm * crossed),
        "gauge": steps_course(rain.t_ms, by_gauge),
    }
    errors |= _storms(rain, litres, STORM_SCATTER_RATIO, feed.yield_l_mm * rain.tip_u_mm)
    return Kind(steps_course(rain.t_ms, litres), errors)


def direct_kind(open_area_m2: float, rain: TippedRain) -> Kind:
    """Rain into an open mouth: 1 mm on 1 m2 is 1 L."""
    litres = open_area_m2 * rain.rain_mm
    errors = {"gauge": steps_course(rain.t_ms, rain.u_ratio * litres)}
    errors |= _storms(rain, litres, 0.0, open_area_m2 * rain.tip_u_mm)
    return Kind(steps_course(rain.t_ms, litres), errors)


def _storms(rain: TippedRain, litres: F64, scatter_ratio: float, tip_u_l: float) -> dict[str, Course]:
    """What is new in each storm, over its own rain: all tanks share it."""
    found = {}
    for k in np.unique(rain.storm).tolist():
        inside = rain.storm == k
        whole = float(litres[inside].sum())
        if whole > 0:
            u_l = math.hypot(scatter_ratio * whole, tip_u_l)
            found[f"storm {k}"] = steps_course(rain.t_ms[inside], u_l / whole * litres[inside])
    return found
